"""Many rows at once on both databases, and keys that are ready for partitions."""

from contextlib import closing

import pytest
from small import stored
from sqlalchemy import text

from stream.errors import StoreError
from stream.store import open_store
from stream.store.results.bulk import COPY_FROM, Clash, insert_rows
from stream.store.schema import metadata, positions, standard_visits

SIZES = (COPY_FROM - 1, 4 * COPY_FROM)
"""Row by row, and by COPY where the database is PostgreSQL."""


def position(i: int, offset: int) -> dict[str, object]:
    numbers = ("inode", "size", "modified_ns", "line", "local_us", "latest_us", "head_bytes")
    return {
        "folder": "in",
        "name": f"ü{i:04d}\t\\N",
        "offset": offset,
        "head_digest": "h",
        "tail_digest": "t",
        **dict.fromkeys(numbers, 2**31 - 1),
    }


@pytest.mark.parametrize("count", SIZES)
@pytest.mark.parametrize(("clash", "kept", "written"), [("keep", 1, 1), ("replace", 2, None)])
def test_a_row_that_is_there_stays_or_is_replaced(
    database_url: str, count: int, clash: Clash, kept: int, written: int | None
) -> None:
    with closing(open_store(database_url)) as store:
        with store.writing() as connection:
            first = [position(i, 1) for i in range(count)]
            assert insert_rows(connection, positions, first, "s") == count
            # Twice in one transaction: what was staged before is not written again.
            again = [position(i, 2) for i in range(count + 1)]
            assert insert_rows(connection, positions, again, "s", clash) == (written or count + 1)
        rows = stored(store, "positions")["positions"]
        at = [c.name for c in positions.columns].index("offset")
        assert [r[at] for r in rows] == [kept] * count + [2]
        assert [r[2] for r in rows] == [f"ü{i:04d}\t\\N" for i in range(count + 1)]


@pytest.mark.parametrize("count", SIZES)
def test_numbers_come_back_to_the_bit_and_nan_as_unknown(database_url: str, count: int) -> None:
    value = 0.1 + 0.2
    rows = [
        {
            "analyzer": "a", "gas": "N2O", "started_us": 2**52 + i, "revision": 1, "current": 1,
            "withdrawn": 0, "station_digest": "", "software_version": "", "result_digest": "",
            "port": 1, "ended_us": 2, "mid_us": 3, "points": 4,
            "standard_nmol_mol": value, "value_nmol_mol": float("nan"),
        }
        for i in range(count)
    ]  # fmt: skip
    with closing(open_store(database_url)) as store:
        with store.writing() as connection:
            insert_rows(connection, standard_visits, rows, "s")
        (found,) = {row[-4:-1] for row in stored(store, "standard_visits")["standard_visits"]}
        assert found == (value, None, None)


@pytest.mark.parametrize("count", SIZES)
def test_a_clash_that_is_refused_writes_nothing(database_url: str, count: int) -> None:
    with closing(open_store(database_url)) as store:
        with pytest.raises(StoreError, match=r"refuses"), store.writing() as connection:
            insert_rows(connection, positions, [position(i % 7, 1) for i in range(count)], "s")
        assert stored(store, "positions")["positions"] == []


def test_every_table_can_be_partitioned(database_url: str) -> None:
    """PostgreSQL takes each table as partitioned by station, with its keys as they are."""
    with closing(open_store(database_url)) as store:
        if store.is_sqlite:
            assert all(t.primary_key.columns.keys()[0] == "station" for t in metadata.sorted_tables)
            return
        with store.writing() as connection:
            for table in metadata.sorted_tables:
                connection.execute(
                    text(
                        f'CREATE TABLE "split_{table.name}" (LIKE "{table.name}" INCLUDING ALL)'
                        " PARTITION BY LIST (station)"
                    )
                )
                connection.execute(
                    text(
                        f'CREATE TABLE "split_{table.name}_a" PARTITION OF "split_{table.name}"'
                        " FOR VALUES IN ('a')"
                    )
                )
