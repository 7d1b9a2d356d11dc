"""An archive whose disk can be read and not be written: one line tells, and nothing is lost."""

import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from broker import need
from inside import Inside
from running import Running, wait
from small import contents, own_line_stream, station_text, write_log

from stream.ingest.batches import Batch, tidy
from stream.service import schedule
from stream.store import open_store
from stream.store.journal import archived_day as day_file
from stream.store.journal.archive import Archive
from stream.times import DAY

BATCH = own_line_stream(hours=0.6)
Undisturbed = Callable[..., dict[str, object]]


class Disk:
    """A small disk of its own that can be made read-only."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def allow(self, *, writing: bool) -> None:
        how = f"remount,{'rw' if writing else 'ro'}"
        subprocess.run(["mount", "-o", how, self.folder], check=True)


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    """The folder ``archive`` of the station is one."""
    folder = tmp_path / "archive"
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=16m", "tmpfs", folder], capture_output=True
    )
    need(None if made.returncode else "mount", "the right to mount a small disk")
    yield Disk(folder)
    subprocess.run(["umount", "-l", folder], check=True)


@pytest.fixture
def station(tmp_path: Path, disk: Disk) -> Path:
    """Days are archived after one, and kept for ten."""
    path = tmp_path / "station.toml"
    path.write_text(station_text(extra="[archive]\nafter_days = 1\nkeep_days = 36500"))
    (tmp_path / "incoming").mkdir()
    return path


def over_days(days: int = 3) -> Batch:
    times = np.concatenate([BATCH.times + n * DAY for n in range(days)])
    values = np.concatenate([BATCH.values] * days)
    columns = {c: values[:, j] for j, c in enumerate(BATCH.channels)}
    return tidy(BATCH.source, times, columns, np.arange(2, len(times) + 2))


def same(found: dict[str, object], expected: dict[str, object]) -> bool:
    return all(found[k] == expected[k] for k in ("records", "closures", "fluxes", "gaps"))


def test_days_wait_in_the_database_until_it_can_be_written(
    station: Path, disk: Disk, undisturbed: Undisturbed, tmp_path: Path, database_url: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setattr(schedule, "ARCHIVE_S", 1.0)
    batch = over_days()
    expected = undisturbed(batch)
    disk.allow(writing=False)
    write_log(batch, tmp_path / "incoming" / "made.csv")
    with Inside(station, database_url) as inside:
        inside.wait_for("settled", 60)
        said = inside.wait_for("scheduled work failed", 60)
        assert said["work"] == "archive"
        assert "the archive cannot be written: Read-only file system" in str(said["error"])
        inside.until(lambda: same(contents(database_url, disk.folder), expected))
        assert not inside.events("thread ended")
        assert not inside.events("database away")
        disk.allow(writing=True)
        inside.wait_for("archived", 60)
        assert same(contents(database_url, disk.folder), expected)
    assert list(disk.folder.rglob("*.parquet"))


@pytest.mark.parametrize("known", ["listed", "not listed"])
def test_a_damaged_day_that_cannot_be_moved_stops_nothing(
    station: Path, disk: Disk, undisturbed: Undisturbed, tmp_path: Path, sqlite_url: str,
    known: str,
) -> None:  # fmt: skip
    """It stays where it is, and is no part of the journal; the files bring its records again."""
    batch = over_days()
    log = write_log(batch, tmp_path / "incoming" / "made.csv")
    with Inside(station, sqlite_url) as inside:
        inside.wait_for("archived", 60)
    with closing(open_store(sqlite_url)) as store:
        Archive(store, "small", disk.folder).keep(2**62)
    path, *_ = sorted(disk.folder.rglob("*.parquet"))
    changed = bytearray(path.read_bytes())
    changed[len(changed) // 2] ^= 1
    path.write_bytes(bytes(changed))
    day_file._trusted.clear()
    disk.allow(writing=False)
    if known == "listed":
        shutil.copy(log, log.with_name("again.csv"))
    else:
        for file in tmp_path.glob("test.db*"):
            file.unlink()
    with Running(station, sqlite_url) as running:
        event = "records damaged and set aside; files are read again"
        running.wait_for(
            event if known == "listed" else "day of the archive damaged and set aside", 60
        )
        expected = undisturbed(batch)
        wait(lambda: same(contents(sqlite_url, disk.folder), expected), 60, running.raw)
        running.stop(60)
        assert "Traceback" not in "".join(running.raw)
        assert not running.events("thread ended")
    assert path.exists()


def test_a_day_that_was_taken_from_its_file_stays_there(
    station: Path, disk: Disk, undisturbed: Undisturbed, tmp_path: Path, sqlite_url: str
) -> None:
    """A backup from before is put back, and the database holds a part of the archived day."""
    batch = over_days()
    log = tmp_path / "incoming" / "made.csv"
    lines = write_log(batch, tmp_path / "all.csv").read_text().splitlines(keepends=True)
    log.write_text("".join(lines[: len(lines) // 5]))
    with Inside(station, sqlite_url) as inside:
        inside.wait_for("settled", 60)
    with closing(open_store(sqlite_url)) as store:
        Archive(store, "small", disk.folder).keep(2**62)
        found = contents(sqlite_url, disk.folder)
    kept = list(disk.folder.rglob("*.parquet"))
    assert len(kept) == 1
    for file in tmp_path.glob("test.db*"):
        file.unlink()
    # The new database knows the other half of that day, and then the file is there again.
    aside = tmp_path / kept[0].name
    shutil.move(kept[0], aside)
    log.write_text("".join([lines[0], *lines[len(lines) // 5 : len(lines) // 3]]))
    with Inside(station, sqlite_url) as inside:
        inside.wait_for("settled", 60)
    shutil.move(aside, kept[0])
    log.write_text("".join(lines))
    disk.allow(writing=False)
    with Inside(station, sqlite_url) as inside:
        inside.wait_for("file of the archive cannot be removed", 60)
        expected = undisturbed(batch)["records"]
        inside.until(lambda: contents(sqlite_url, disk.folder)["records"] == expected)
        assert found["records"] != expected
        assert not inside.events("thread ended")
        wait(lambda: inside.events("scheduled work failed"), 30, inside.said)
        assert "cannot be written" in str(inside.events("scheduled work failed")[0]["error"])
