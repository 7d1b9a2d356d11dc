"""Many stations in one database: each as if it were alone."""

import os
import re
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import psycopg
import pytest
from forking import Command
from small import own_line_stream, part, station_text, write_log
from sqlalchemy import create_engine, text

from stream.compute.apply_notes import take_up
from stream.compute.replay import replay
from stream.notes.write import keep_note
from stream.station import FieldNote, StationFile, load_station
from stream.store import open_store
from stream.store.journal.journal import Journal
from stream.store.results.readers import Reader
from stream.store.station_data import Notes

CONFIGS = Path(__file__).parents[2] / "configs"
STATIONS = ("small", "other", "third")


def made(folder: Path, name: str, seed: int) -> tuple[StationFile, Path]:
    """A station of that name, and its log, in a folder of its own."""
    place = folder / name
    place.mkdir()
    path = place / "station.toml"
    path.write_text(station_text().replace('id = "small"', f'id = "{name}"'))
    return load_station(path), write_log(own_line_stream(seed=seed), place / "log.csv")


def read(url: str, station: str) -> dict[str, Any]:
    """Everything of one station, but for its name."""
    with closing(open_store(url)) as store:
        reader = Reader(store, station)
        rows = {
            "fluxes": [dict(r) for r in reader.fluxes()],
            "gaps": list(reader.gaps()),
            "extent": Journal(store, station).extent(),
            "notes": Notes(store, station).all(),
        }
    for name in ("fluxes", "gaps"):
        for r in rows[name]:
            r.pop("station")
            r.pop("station_digest")  # the name is a part of what it is of
            if "models" in r:
                r["models"] = {k: {**m, "station": ""} for k, m in r["models"].items()}
    return rows


@pytest.mark.migrates
def test_stations_that_come_at_once_do_not_touch_one_another(
    tmp_path: Path, database_url: str
) -> None:
    """Three replays as processes, at the same time into one database: as three alone."""
    stations = {name: made(tmp_path, name, seed) for seed, name in enumerate(STATIONS)}
    running = [
        Command(["replay", str(file.path), str(log), "--database", database_url], os.environ)
        for file, log in stations.values()
    ]
    for process in running:
        assert process.wait(240) == 0, process.stderr.read()
        process.stderr.close()
    for name, (file, log) in stations.items():
        alone = f"sqlite:///{tmp_path / name}.db"
        replay(file, [log], alone)
        found = read(database_url, name)
        assert len(found["fluxes"]) > 8
        assert found == read(alone, name)


def test_a_note_of_one_station_leaves_the_others_alone(
    tmp_path: Path, database_url: str, open_parts: Callable[..., Any]
) -> None:
    for seed, name in enumerate(STATIONS[:2]):
        file, _ = made(tmp_path, name, seed)
        _, parts = open_parts(file, database_url)
        parts.intake.take(own_line_stream(seed=seed))
        parts.settlement.settle()
    before = read(database_url, "other")
    file = load_station(tmp_path / "small" / "station.toml")
    with closing(open_store(database_url)) as store:
        words = "somebody stood on it"
        note = FieldNote(0, 1, None, 0, "bad", "R. Tarn", "", "", "", None, words, None)
        assert keep_note(store, file.station, note) == 1
        take_up(file, store)
    assert all("marked_bad" in r["flags"] for r in read(database_url, "small")["fluxes"])
    assert read(database_url, "other") == before


def structure(url: str) -> dict[str, list[tuple[Any, ...]]]:
    """Keys, foreign keys and indices of the tables of results, without their partitions."""
    query = """
        SELECT 'constraint', conrelid::regclass::text, conname, pg_get_constraintdef(oid)
        FROM pg_constraint
        WHERE conparentid = 0 AND (conrelid = ANY (:mine) OR confrelid = ANY (:mine))
        UNION ALL
        SELECT 'index', indrelid::regclass::text, indexrelid::regclass::text,
               replace(pg_get_indexdef(indexrelid), ' ON ONLY ', ' ON ')
        FROM pg_index WHERE indrelid = ANY (:mine)
        ORDER BY 1, 2, 3
    """
    engine = create_engine(url)
    tables = ["closures", "fluxes", "model_fits", "visits"]
    with engine.connect() as connection:
        oids = [
            connection.execute(text(f"SELECT CAST('{t}' AS regclass)::oid")).scalar()
            for t in tables
        ]
        rows = [tuple(r) for r in connection.execute(text(query), {"mine": oids})]
    engine.dispose()
    return {t: [r for r in rows if r[1] == t] for t in tables}


def partition(url: str) -> list[str]:
    """Run the script in one transaction; what it told."""
    told: list[str] = []
    with psycopg.connect(url.replace("+psycopg", "")) as connection:
        connection.add_notice_handler(lambda notice: told.append(str(notice.message_primary)))
        connection.execute((CONFIGS / "partitions.sql").read_text())
    return told


def test_partitions_change_no_result(
    tmp_path: Path, postgres_url: str, open_parts: Callable[..., Any]
) -> None:
    """Divided with results in it; a second revision, late records and a new station after
    that: the same rows as SQLite holds, the same keys, and queries look at one partition.
    """
    alone = {name: f"sqlite:///{tmp_path / name}.db" for name in STATIONS}
    stations = {name: made(tmp_path, name, seed) for seed, name in enumerate(STATIONS)}

    def take(name: str, seed: int, rows: slice) -> None:
        for url in (postgres_url, alone[name]):
            _, parts = open_parts(stations[name][0], url)
            parts.intake.take(part(own_line_stream(seed=seed), rows))
            parts.settlement.settle()

    whole, half = slice(None), slice(0, len(own_line_stream()) // 2)
    take("small", 0, half)
    take("other", 1, whole)
    before = structure(postgres_url)
    assert partition(postgres_url) == []
    assert partition(postgres_url) == ["the tables are partitioned already"]
    after = structure(postgres_url)
    assert {t: {r[:3] for r in rows} for t, rows in after.items()} == {
        t: {r[:3] for r in rows} for t, rows in before.items()
    }
    assert sum(map(len, before.values())) > 8
    take("small", 0, whole)
    take("third", 2, whole)
    for name in STATIONS:
        found = read(postgres_url, name)
        assert len(found["fluxes"]) > 8
        assert found == read(alone[name], name)
    with closing(open_store(postgres_url)) as store, store.reading() as connection:
        plan = connection.execute(
            text("EXPLAIN SELECT * FROM fluxes WHERE station = 'small' AND closed_us > 0")
        ).scalars()
        named = {int(n) for n in re.findall(r"fluxes_(\d+)", " ".join(plan))}
    assert len(named) == 1
