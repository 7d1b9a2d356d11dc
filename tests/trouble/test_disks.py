"""Disks that turn read-only or fill: one clear line, nothing lost, and all heals by itself."""

import json
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import pytest
from broker import Mosquitto, need
from inside import Inside
from running import Running, wait
from small import contents, own_line_stream, packs, part, station_text, stored, write_log

from stream.service import schedule
from stream.store import open_store
from stream.times import DAY, SECOND

TOPIC = "small/records/a"
BATCH = own_line_stream(hours=0.6)
HALF = len(BATCH) // 2
MakeStation = Callable[..., Path]
Undisturbed = Callable[..., dict[str, object]]


def filled(path: Path) -> None:
    """Take what is left of a disk."""
    with path.open("wb", buffering=0) as out, suppress(OSError):
        while True:
            out.write(bytes(4096))


@contextmanager
def strace(process: int, database: Path, calls: str, error: str) -> Iterator[None]:
    """Let system calls of a process on a database fail."""
    tracer = subprocess.Popen(
        ["strace", "-f", "-qq", "-o", database.with_name("trace"), "-p", str(process),
         "-P", database, "-P", f"{database}-wal",
         "-e", f"trace={calls}", "-e", f"inject={calls}:error={error}"],
    )  # fmt: skip
    try:
        time.sleep(1.0)
        yield
    finally:
        tracer.terminate()
        tracer.wait(10)


@pytest.mark.parametrize("error", ["EROFS", "EIO"])
def test_the_disk_of_the_database_turns_read_only_or_fails(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, sqlite_url: str,
    tmp_path: Path, error: str,
) -> None:  # fmt: skip
    """As a kernel does that finds a fault: files stay open, and no write succeeds."""
    need(shutil.which("strace"), "strace")
    with Running(station(broker.source()), sqlite_url) as running:
        running.wait_for("broker connected")
        broker.publish(TOPIC, packs(part(BATCH, slice(0, HALF))))
        running.wait_for("settled")
        refused = "pwrite64,fdatasync,ftruncate"
        with strace(running.process.pid, tmp_path / "test.db", refused, error):
            broker.publish(TOPIC, packs(part(BATCH, slice(HALF, None))))
            line = running.wait_for("database away")
            assert str(line["error"]).partition("test.db: ")[2] in {
                "the database cannot be written; allow writing there",
                "the disk does not read or write as it should; check it",
            }
        running.wait_for("database is back", 60)
        wait(lambda: contents(sqlite_url) == undisturbed(), 60, running.raw)
        running.stop()
        assert "Traceback" not in "".join(running.raw)


def test_the_archives_disk_turns_read_only(
    small_disk: Path, sqlite_url: str, tmp_path: Path, undisturbed: Undisturbed,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """Nothing is moved, it is told, and the next look after it was mended moves all."""
    monkeypatch.setattr(schedule, "ARCHIVE_S", 2.0)
    file = tmp_path / "station.toml"
    file.write_text(station_text(extra=f'[archive]\npath = "{small_disk}"\nafter_days = 1'))
    shift = (time.time_ns() // 1000 - 5 * DAY - int(BATCH.times[-1])) // SECOND * SECOND
    old = replace(BATCH, times=BATCH.times + shift)
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    write_log(old, tmp_path / "incoming" / "made.csv")
    with Inside(file, sqlite_url) as inside:
        inside.wait_for("settled")
        said = inside.wait_for("scheduled work failed")
        assert said["work"] == "archive"
        assert "the archive cannot be written: Read-only file system" in str(said["error"])
        subprocess.run(["mount", "-o", "remount,rw", small_disk], check=True)
        inside.wait_for("archived")
        assert not inside.events("thread ended")
    expected = undisturbed(old)
    found = contents(sqlite_url, small_disk)
    assert {k: found[k] for k in expected} == expected
    with closing(open_store(sqlite_url)) as store:
        assert stored(store, "archive_days")["archive_days"]


def test_the_disk_fills_while_messages_wait_for_the_database(
    broker: Mosquitto, small_disk: Path, undisturbed: Undisturbed, tmp_path: Path
) -> None:
    """The broker keeps what the disk does not; what was written by half is no damage."""
    text = station_text(extra="[service]\nmin_free_mb = 0.0\n[archive]\nafter_days = 36500")
    file = small_disk / "station.toml"
    file.write_text(text.replace("[channels.n2o]", f"{broker.source()}\n[channels.n2o]", 1))
    away = tmp_path / "away"
    url = f"sqlite:///{away / 'test.db'}"
    spool = small_disk / ".small.spool"
    with Inside(file, url) as inside:
        inside.wait_for("broker connected")
        broker.publish(TOPIC, packs(part(BATCH, slice(0, HALF))))
        wait(lambda: spool.exists())
        time.sleep(2.0)
        filled(small_disk / "filler")
        broker.publish(TOPIC, packs(part(BATCH, slice(HALF, None)), rows=100))
        said = inside.wait_for("messages cannot be kept; brokers hold them")
        assert said["error"] == "No space left on device"
        time.sleep(3.0)
        (small_disk / "filler").unlink()
        time.sleep(2.0)
        for line in spool.read_text().splitlines():
            assert not line or "sum" in json.loads(line)
        away.mkdir()
        inside.wait_for("database is back", 60)
        inside.until(lambda: contents(url) == undisturbed())
        assert len(inside.events("messages cannot be kept; brokers hold them")) == 1
        assert not inside.events(
            "lines of the spool are damaged, or were cut off; the file is kept"
        )
    assert not list(small_disk.glob("*.damaged"))
