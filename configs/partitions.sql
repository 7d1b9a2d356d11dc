-- Results of many stations in one PostgreSQL, in sixteen partitions by station.
--
--   psql "$DATABASE" --single-transaction -v ON_ERROR_STOP=1 -f configs/partitions.sql
--
-- Stop the services first, and have a backup. Rows that are there are moved; names of tables,
-- keys and indices stay, so that services, exports and later migrations find what they know.
-- A second time changes nothing. All four tables are divided alike, so that joins by the key
-- stay within a partition.

DO $$
DECLARE
    parts CONSTANT integer := 16;
    mine CONSTANT text[] := ARRAY['closures', 'fluxes', 'model_fits', 'visits'];
    name text;
    statement text;
    later text[] := '{}';
BEGIN
    IF (SELECT relkind FROM pg_class WHERE oid = 'closures'::regclass) = 'p' THEN
        RAISE NOTICE 'the tables are partitioned already';
        RETURN;
    END IF;

    -- What must be made again once the old tables are gone: keys first, then foreign keys of
    -- these tables and to them, then indices.
    FOR statement IN
        SELECT format('ALTER TABLE %s ADD CONSTRAINT %I %s',
                      conrelid::regclass, conname, pg_get_constraintdef(oid))
        FROM pg_constraint
        WHERE contype IN ('p', 'u', 'f')
          AND (conrelid = ANY (mine::regclass[]) OR confrelid = ANY (mine::regclass[]))
        ORDER BY contype = 'f', conrelid, conname
    LOOP
        later := later || statement;
    END LOOP;
    FOR statement IN
        SELECT pg_get_indexdef(indexrelid) FROM pg_index
        WHERE indrelid = ANY (mine::regclass[])
          AND NOT EXISTS (SELECT FROM pg_constraint WHERE conindid = indexrelid)
        ORDER BY indexrelid::regclass::text
    LOOP
        later := later || statement;
    END LOOP;

    FOREACH name IN ARRAY mine LOOP
        EXECUTE format('ALTER TABLE %I RENAME TO %I', name, name || '_whole');
        EXECUTE format(
            'CREATE TABLE %I (LIKE %I INCLUDING DEFAULTS INCLUDING CONSTRAINTS INCLUDING STORAGE)'
            ' PARTITION BY HASH (station)', name, name || '_whole');
        FOR part IN 0 .. parts - 1 LOOP
            EXECUTE format(
                'CREATE TABLE %I PARTITION OF %I FOR VALUES WITH (MODULUS %s, REMAINDER %s)',
                name || '_' || part, name, parts, part);
        END LOOP;
        EXECUTE format('INSERT INTO %I SELECT * FROM %I', name, name || '_whole');
    END LOOP;
    FOR at IN REVERSE array_length(mine, 1) .. 1 LOOP
        EXECUTE format('DROP TABLE %I', mine[at] || '_whole');
    END LOOP;
    FOREACH statement IN ARRAY later LOOP
        EXECUTE statement;
    END LOOP;
END
$$;

ANALYZE closures, fluxes, model_fits, visits;
