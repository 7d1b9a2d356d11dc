"""Damaged records, archives and old backups under a service that goes on."""

import shutil
import time
from collections.abc import Callable
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from broker import Mosquitto
from inside import Inside
from small import contents, own_line_stream, packs, part, station_text, write_log
from sqlalchemy import create_engine, select, text, update
from sqlalchemy.engine import make_url

from stream.ingest.batches import Batch, tidy
from stream.report.summary.day_summary import summarize
from stream.service import schedule
from stream.station import load_station
from stream.store import open_store
from stream.store.journal import archived_day as day_file
from stream.store.journal.archive import Archive
from stream.store.journal.journal import Journal
from stream.store.schema import journal_blocks
from stream.store.station_data import StationData
from stream.times import DAY

TOPIC = "small/records/a"
BATCH = own_line_stream(hours=0.6)
HALF = len(BATCH) // 2
MakeStation = Callable[..., Path]
Undisturbed = Callable[..., dict[str, object]]
Measured = Callable[[str, object], None]
SAID = "records damaged and set aside; files are read again"


def but_counts(found: dict[str, object]) -> dict[str, object]:
    """Without how many records came in all: those that were lost are counted twice."""
    return {k: v for k, v in found.items() if k != "journal_channels"}


def whole(url: str) -> dict[str, object]:
    return but_counts(contents(url))


def closures(found: dict[str, object]) -> set[Any]:
    """Those that are over, row by row."""
    rows = found["closures"]
    assert isinstance(rows, list)
    return {row for row in rows if row[3]}


def hidden(found: dict[str, object], expected: dict[str, object]) -> str:
    """How many closures are not there."""
    return f"{len(closures(expected) - closures(found))} of {len(closures(expected))}"


def turn_a_bit(url: str, which: int = 0) -> None:
    """In the data of a block, from outside."""
    t = journal_blocks.c
    with closing(open_store(url)) as store, store.writing() as connection:
        rows = connection.execute(select(t.sequence, t.data).order_by(t.sequence)).all()
        number, data = rows[which]
        changed = bytearray(data)
        changed[len(changed) // 2] ^= 4
        connection.execute(
            update(journal_blocks).where(t.sequence == number).values(data=bytes(changed))
        )


def test_a_damaged_block_is_had_again_from_the_files(
    station: MakeStation, undisturbed: Undisturbed, tmp_path: Path, database_url: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """The scrub finds it, the folder is read again, and all is as if nothing had been."""
    monkeypatch.setattr(schedule, "SCRUB_S", 1.0)
    file = station()
    write_log(BATCH, tmp_path / "incoming" / "made.csv")
    with Inside(file, database_url) as inside:
        inside.until(lambda: whole(database_url) == but_counts(undisturbed()))
        turn_a_bit(database_url)
        inside.wait_for(SAID)
        inside.until(lambda: whole(database_url) == but_counts(undisturbed()))
        assert not inside.events("database away")
        assert not inside.events("thread ended")


def test_a_kill_between_setting_aside_and_reading_again(
    station: MakeStation, undisturbed: Undisturbed, tmp_path: Path, sqlite_url: str
) -> None:
    """The mark is kept: the next start reads the folder from the beginning."""
    from stream.compute.replay import join

    file = station()
    write_log(BATCH, tmp_path / "incoming" / "made.csv")
    with Inside(file, sqlite_url) as inside:
        inside.until(lambda: whole(sqlite_url) == but_counts(undisturbed()))
    turn_a_bit(sqlite_url)
    with closing(open_store(sqlite_url)) as store:
        loaded = load_station(file)
        parts = join(loaded, store)
        parts.through(parts.journal.read, parts.journal.extent(), 0, 2**62)
        assert len(parts.told) == 1
        assert whole(sqlite_url) != but_counts(undisturbed())
    with Inside(file, sqlite_url) as inside:
        inside.until(lambda: whole(sqlite_url) == but_counts(undisturbed()))


def test_what_came_by_mqtt_is_lost_and_told_and_the_rest_flows(
    broker: Mosquitto, station: MakeStation, tmp_path: Path, sqlite_url: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setattr(schedule, "SCRUB_S", 1.0)
    file = station(broker.source())
    with Inside(file, sqlite_url) as inside:
        inside.wait_for("broker connected")
        broker.publish(TOPIC, packs(part(BATCH, slice(0, HALF))))
        inside.wait_for("settled")
        before = closures(contents(sqlite_url))
        turn_a_bit(sqlite_url)
        said = inside.wait_for(SAID)
        assert "mqtt" in str(said["source"]) or TOPIC in str(said["source"])
        broker.publish(TOPIC, packs(part(BATCH, slice(HALF, None))))
        inside.wait_for("settled", count=2)
        after = closures(contents(sqlite_url))
        assert len(before) == 2
        assert before < after
    with closing(open_store(sqlite_url)) as store:
        summary = summarize(StationData.over(load_station(file), store), date(2026, 2, 2))
        found = [t for t in summary.tasks if "damaged" in t.why]
        assert len(found) == 1, summary.tasks


def over_days(days: int = 3) -> Batch:
    """The small stream on each of some days."""
    times = np.concatenate([BATCH.times + n * DAY for n in range(days)])
    values = np.concatenate([BATCH.values] * days)
    columns = {c: values[:, j] for j, c in enumerate(BATCH.channels)}
    return tidy(BATCH.source, times, columns, np.arange(2, len(times) + 2))


def archiving(folder: Path) -> Path:
    path = folder / "station.toml"
    path.write_text(station_text(extra="[archive]\nafter_days = 1"))
    (folder / "incoming").mkdir(exist_ok=True)
    return path


@pytest.mark.parametrize("how", ["damaged", "gone"])
def test_a_day_of_the_archive_stops_nothing(
    undisturbed: Undisturbed, tmp_path: Path, sqlite_url: str, how: str
) -> None:
    """Records of the day come again, and it cannot be read; the files bring it back."""
    batch = over_days()
    file = archiving(tmp_path)
    log = write_log(batch, tmp_path / "incoming" / "made.csv")
    with Inside(file, sqlite_url) as inside:
        inside.wait_for("archived", 60)
    day_file._trusted.clear()
    path, *_ = sorted((tmp_path / "archive").rglob("*.parquet"))
    if how == "gone":
        path.unlink()
    else:
        changed = bytearray(path.read_bytes())
        changed[len(changed) // 2] ^= 1
        path.write_bytes(bytes(changed))
    shutil.copy(log, log.with_name("again.csv"))
    with Inside(file, sqlite_url) as inside:
        inside.wait_for(SAID)
        expected = undisturbed(batch)

        def same() -> bool:
            found = contents(sqlite_url, tmp_path / "archive")
            return all(found[k] == expected[k] for k in ("records", "closures", "fluxes"))

        inside.until(same)
        assert not inside.events("database away")


def test_an_old_backup_is_put_back(
    undisturbed: Undisturbed, tmp_path: Path, sqlite_url: str, measured: Measured
) -> None:
    """Days that lie in the archive, and not in the backup, are taken up; files that were
    read further since are read on from where the backup stood.
    """
    batch = over_days(4)
    file = archiving(tmp_path)
    log = tmp_path / "incoming" / "made.csv"
    lines = write_log(batch, tmp_path / "all.csv").read_text().splitlines(keepends=True)
    log.write_text("".join(lines[: len(lines) // 4]))
    database, backup = tmp_path / "test.db", tmp_path / "backup.db"
    with Inside(file, sqlite_url) as inside:
        inside.wait_for("settled")
    shutil.copy(database, backup)
    log.write_text("".join(lines))
    with Inside(file, sqlite_url) as inside:
        inside.wait_for("settled")
        archive = tmp_path / "archive"
        inside.until(lambda: contents(sqlite_url, archive)["unsettled"] == [])
    with closing(open_store(sqlite_url)) as store:
        Archive(store, "small", tmp_path / "archive").keep(2**62)
    # The logger has made room meanwhile: the last day alone is still in its file.
    log.write_text("".join([lines[0], *lines[3 * len(lines) // 4 :]]))
    for path in tmp_path.glob("test.db*"):
        path.unlink()
    shutil.copy(backup, database)
    with Inside(file, sqlite_url) as inside:
        said = inside.wait_for("archive adopted")
        assert int(str(said["days"])) >= 2
        expected = undisturbed(batch)

        def same() -> bool:
            found = contents(sqlite_url, tmp_path / "archive")
            return all(found[k] == expected[k] for k in ("records", "closures", "fluxes", "gaps"))

        inside.until(same)
        found = contents(sqlite_url, tmp_path / "archive")
        measured("closures hidden after an old backup was put back", hidden(found, expected))
    with Inside(file, sqlite_url) as inside:
        inside.wait_for("running")
        time.sleep(1.0)
        assert not inside.events("archive adopted"), "once"
    with closing(open_store(sqlite_url)) as store:
        assert Journal(store, "small", tmp_path / "archive").set_aside() == []


@pytest.mark.postgres
def test_an_old_backup_of_a_server(
    undisturbed: Undisturbed, tmp_path: Path, postgres_url: str, measured: Measured
) -> None:
    """A copy of the database, made by the server itself, takes the place of the newer one."""
    batch = over_days(3)
    file = archiving(tmp_path)
    log = tmp_path / "incoming" / "made.csv"
    lines = write_log(batch, tmp_path / "all.csv").read_text().splitlines(keepends=True)
    log.write_text("".join(lines[: len(lines) // 3]))
    with Inside(file, postgres_url) as inside:
        inside.wait_for("settled")
    name = make_url(postgres_url).database
    engine = create_engine(
        make_url(postgres_url).set(database="postgres"), isolation_level="AUTOCOMMIT"
    )
    with engine.connect() as server:
        server.execute(text(f'CREATE DATABASE "{name}_backup" TEMPLATE "{name}"'))
    try:
        log.write_text("".join(lines))
        with Inside(file, postgres_url) as inside:
            inside.wait_for("settled")
            archive = tmp_path / "archive"
            inside.until(lambda: contents(postgres_url, archive)["unsettled"] == [])
        with closing(open_store(postgres_url)) as store:
            Archive(store, "small", tmp_path / "archive").keep(2**62)
        log.unlink()
        with engine.connect() as server:
            server.execute(text(f'DROP DATABASE "{name}" WITH (FORCE)'))
            server.execute(text(f'ALTER DATABASE "{name}_backup" RENAME TO "{name}"'))
        with Inside(file, postgres_url) as inside:
            inside.wait_for("archive adopted")
            expected = undisturbed(batch)
            inside.until(
                lambda: (
                    contents(postgres_url, tmp_path / "archive")["closures"] == expected["closures"]
                )
            )
            found = contents(postgres_url, tmp_path / "archive")
            measured("closures hidden after an old backup was put back", hidden(found, expected))
    finally:
        with engine.connect() as server:
            server.execute(text(f'DROP DATABASE IF EXISTS "{name}_backup" WITH (FORCE)'))
        engine.dispose()
