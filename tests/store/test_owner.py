"""One writer a database, by whatever path it comes."""

import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from broker import need
from running import Running
from small import contents, own_line_stream, station_text, write_log

from stream.errors import StoreTaken
from stream.store import Store, WriterLock, open_store
from stream.store.lock import Owner
from stream.store.station_data import Marks


def count(found: dict[str, object]) -> int:
    """Records of a database, as it counts them."""
    channels = found["journal_channels"]
    assert isinstance(channels, list)
    return sum(row[-1] for row in channels)


ASLEEP = [sys.executable, "-c", "import time; time.sleep(60)"]


def began(pid: int) -> str:
    """Field 22 of /proc/PID/stat, by another route: proc(5)."""
    text = Path(f"/proc/{pid}/stat").read_text()
    return text[text.rindex(")") + 2 :].split(" ")[22 - 3]


def mark(**changes: object) -> str:
    boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    found = {"host": socket.gethostname(), "boot": boot, "pid": os.getpid(), "at": time.time()}
    return json.dumps({**found, "began": began(os.getpid()), **changes})


def test_a_second_one_by_a_link_is_told_who_is_there(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'real.db'}"
    (tmp_path / "elsewhere").mkdir()
    link = tmp_path / "elsewhere" / "link.db"
    link.symlink_to(tmp_path / "real.db")
    with (
        closing(open_store(url)) as store,
        closing(open_store(f"sqlite:///{link}")) as same,
        WriterLock(store, "small"),
        pytest.raises(StoreTaken, match=rf"another lidstream \(process {os.getpid()}\)"),
    ):
        WriterLock(same, "small")


def test_two_stations_may_share_a_file(sqlite_url: str) -> None:
    with closing(open_store(sqlite_url)) as store, WriterLock(store, "one") as one:
        one.claim()
        with WriterLock(store, "two") as two:
            two.claim()


def test_a_file_of_two_names_is_refused(tmp_path: Path) -> None:
    """SQLite keeps what is not written yet beside each name, so two would damage it."""
    url = f"sqlite:///{tmp_path / 'real.db'}"
    with closing(open_store(url)) as store:
        os.link(tmp_path / "real.db", tmp_path / "second.db")
        with pytest.raises(StoreTaken, match="hard link"):
            WriterLock(store, "small")
        (tmp_path / "second.db").unlink()
        WriterLock(store, "small").release()


@pytest.mark.parametrize(
    ("changes", "other"),
    [
        ({}, ""),  # our own
        ({"pid": 2**22 + 5, "began": "1"}, ""),  # killed
        ({"host": "barn", "boot": "x"}, " (on barn)"),
        ({"host": "barn", "boot": "x", "at": time.time() - 600}, ""),
        ({"host": "barn", "boot": "x", "at": time.time() + 9e5}, ""),
        ({"boot": "before the last start"}, ""),
        ({"at": "soon", "host": "barn"}, ""),
    ],
)
def test_a_mark_holds_as_long_as_its_writer_lives(
    sqlite_url: str, changes: dict[str, object], other: str
) -> None:
    with closing(open_store(sqlite_url)) as store:
        Marks(store, "small").put("writer", mark(**changes))
        assert Owner(store, "small").other() == other


def test_a_mark_of_a_living_process_and_of_one_that_was_killed(sqlite_url: str) -> None:
    with closing(open_store(sqlite_url)) as store:
        with subprocess.Popen(ASLEEP) as process:
            Marks(store, "small").put("writer", mark(pid=process.pid, began=began(process.pid)))
            assert Owner(store, "small").other() == f" (process {process.pid})"
            with (
                WriterLock(store, "small") as lock,
                pytest.raises(StoreTaken, match="another lidstream"),
            ):
                lock.claim()
            # A number that is used again is another process.
            Marks(store, "small").put("writer", mark(pid=process.pid, began="1"))
            assert Owner(store, "small").other() == ""
            Marks(store, "small").put("writer", mark(pid=process.pid, began=began(process.pid)))
            process.kill()
            process.wait()
        with WriterLock(store, "small") as lock:
            lock.claim()


def test_a_mark_is_renewed_and_taken_away(sqlite_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    marks: Callable[[Store], Marks] = lambda store: Marks(store, "small")  # noqa: E731
    with closing(open_store(sqlite_url)) as store:
        with WriterLock(store, "small") as lock:
            lock.claim()
            first = json.loads(marks(store).get("writer") or "")["at"]
            lock.renew()
            assert json.loads(marks(store).get("writer") or "")["at"] == first
            now = time.monotonic()
            monkeypatch.setattr(time, "monotonic", lambda: now + 61)
            lock.renew()
            assert json.loads(marks(store).get("writer") or "")["at"] > first
        assert marks(store).get("writer") == "{}"


@contextmanager
def another_way(how: str, real: Path) -> Iterator[Path]:
    """The file by another path: a link to it, or mounted by itself as into a container."""
    other = real.with_name("elsewhere") / "other.db"
    other.parent.mkdir()
    if how == "link":
        other.symlink_to(real)
        yield other
        return
    other.touch()
    made = subprocess.run(["mount", "--bind", real, other], capture_output=True)
    need(None if made.returncode else "mount", "the right to mount a file")
    yield other
    subprocess.run(["umount", "-l", other], check=True)


@pytest.mark.parametrize("how", ["link", "mount"])
def test_two_services_on_one_database_store_each_record_once(
    tmp_path: Path, measured: Callable[[str, object], None], how: str
) -> None:
    """One by the file's name, one by another; and again after the first was killed."""
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        rules = "[archive]\nafter_days = 36500"
        (tmp_path / name / "station.toml").write_text(station_text(extra=rules))
        (tmp_path / name / "incoming").mkdir()
        write_log(own_line_stream(hours=0.4), tmp_path / name / "incoming" / "log.csv")
    url = f"sqlite:///{tmp_path / 'real.db'}"
    with Running(tmp_path / "a" / "station.toml", url) as first:
        first.wait_for("settled")
        with (
            another_way(how, tmp_path / "real.db") as other,
            Running(tmp_path / "b" / "station.toml", f"sqlite:///{other}") as second,
        ):
            assert second.process.wait(60) == 1
            assert "another lidstream (process" in second.raw[-1]
        once = contents(url)
        first.kill()
    again = tmp_path / "again.db"
    again.symlink_to(tmp_path / "real.db")
    with Running(tmp_path / "b" / "station.toml", f"sqlite:///{again}") as second:
        second.wait_for("running")
        time.sleep(3)
        second.stop(60)
    found = contents(url)
    doubled = count(found) - own_line_stream(hours=0.4).records
    measured(f"records doubled by two writers through a {how}", f"{doubled}, of {count(once)}")
    assert found["records"] == once["records"]
    assert doubled == 0
    assert not found["quarantine"]
