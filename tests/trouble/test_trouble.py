"""Whatever fails around the service, the database ends as if nothing had."""

import os
import shutil
import sqlite3
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from broker import Mosquitto, free_port, need
from inside import Inside
from running import Running, wait
from servers import POSTGRES
from small import contents, own_line_stream, packs, part, write_log
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from stream.store import connect

TOPIC = "small/records/a"
BATCH = own_line_stream(hours=0.6)
HALF = len(BATCH) // 2
MakeStation = Callable[..., Path]
Undisturbed = Callable[..., dict[str, object]]


@pytest.mark.parametrize("broker", [{"careful": True}], indirect=True)
def test_broker_away(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, sqlite_url: str
) -> None:
    """Twice, once killed; the logger holds its messages meanwhile, as loggers do."""
    with Inside(station(broker.source()), sqlite_url) as inside:
        inside.wait_for("broker connected")
        pieces = np.array_split(np.arange(len(BATCH)), 3)
        for i, rows in enumerate(pieces):
            broker.publish(TOPIC, packs(part(BATCH, rows)))
            if i < 2:
                wait(lambda: contents(sqlite_url)["records"])
                time.sleep(1.2)  # the broker's own autosave
                assert broker.process is not None
                if i:
                    broker.process.kill()
                broker.stop()
                inside.wait_for("broker away", count=i + 1)
                broker.start()
                inside.wait_for("broker connected", count=i + 2)
        inside.until(lambda: contents(sqlite_url) == undisturbed())
        assert not inside.events("thread ended")


def test_database_locked(
    broker: Mosquitto,
    station: MakeStation,
    undisturbed: Undisturbed,
    sqlite_url: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Another program holds SQLite's write lock for longer than the service waits for it."""
    monkeypatch.setattr(connect, "BUSY_S", 1)
    with Inside(station(broker.source(in_flight=15)), sqlite_url) as inside:
        inside.wait_for("broker connected")
        broker.publish(TOPIC, packs(part(BATCH, slice(0, HALF))))
        inside.wait_for("settled")
        other = sqlite3.connect(make_url(sqlite_url).database or "", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        broker.publish(TOPIC, packs(part(BATCH, slice(HALF, None))))
        said = inside.wait_for("database away", count=2)
        assert "in use by another process" in str(said["error"])
        other.execute("ROLLBACK")
        other.close()
        inside.wait_for("database is back")
        inside.until(lambda: contents(sqlite_url) == undisturbed())


@pytest.mark.postgres
def test_server_gone(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, postgres_url: str
) -> None:
    """The server ends all connections and takes no new ones for a while."""
    name = make_url(postgres_url).database
    with Inside(station(broker.source()), postgres_url) as inside:
        inside.wait_for("broker connected")
        broker.publish(TOPIC, packs(part(BATCH, slice(0, HALF))))
        inside.wait_for("settled")
        engine = create_engine(POSTGRES, isolation_level="AUTOCOMMIT")
        with engine.connect() as server:
            server.execute(text(f'ALTER DATABASE "{name}" ALLOW_CONNECTIONS false'))
            server.execute(
                text("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = :n"),
                {"n": name},
            )
            broker.publish(TOPIC, packs(part(BATCH, slice(HALF, None))))
            inside.wait_for("database away", count=2)
            server.execute(text(f'ALTER DATABASE "{name}" ALLOW_CONNECTIONS true'))
        engine.dispose()
        inside.wait_for("database is back")
        inside.until(lambda: contents(postgres_url) == undisturbed())


# What was being read when its connection was cut may leave its cursor behind.
@pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <function ServerCursorMixin.__del__"
    ":pytest.PytestUnraisableExceptionWarning"
)
@pytest.mark.postgres
def test_connections_cut_between_two_commits(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, postgres_url: str
) -> None:
    """The writer lock went with its connection; it is taken again, not forgotten."""
    engine = create_engine(POSTGRES, isolation_level="AUTOCOMMIT")
    with Inside(station(broker.source()), postgres_url) as inside, engine.connect() as server:
        inside.wait_for("broker connected")
        for rows in np.array_split(np.arange(len(BATCH)), 6):
            broker.publish(TOPIC, packs(part(BATCH, rows)))
            time.sleep(0.4)
            server.execute(
                text("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = :n"),
                {"n": make_url(postgres_url).database},
            )
        inside.until(lambda: contents(postgres_url) == undisturbed())
        locks = text(
            "SELECT count(*) FROM pg_locks JOIN pg_database d ON d.oid = database"
            " WHERE locktype = 'advisory' AND datname = :n"
        )
        names = {"n": make_url(postgres_url).database}
        inside.until(lambda: server.execute(locks, names).scalar() == 1)
    engine.dispose()


def test_disk_full(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, small_disk: Path
) -> None:
    url = f"sqlite:///{small_disk / 'test.db'}"
    with Inside(station(broker.source()), url) as inside:
        inside.wait_for("broker connected")
        broker.publish(TOPIC, packs(part(BATCH, slice(0, HALF))))
        inside.wait_for("settled")
        # What comes must not fit into the room that the log beside the database has already.
        with closing(sqlite3.connect(small_disk / "test.db", isolation_level=None)) as other:
            assert other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0] == 0
        filler = small_disk / "filler"
        with filler.open("wb", buffering=0) as out:
            try:
                while True:
                    out.write(bytes(4096))
            except OSError:
                pass
        broker.publish(TOPIC, packs(part(BATCH, slice(HALF, None)), rows=1))
        said = inside.wait_for("database away", count=2)
        assert "the disk is full; make room" in str(said["error"])
        filler.unlink()
        inside.wait_for("database is back")
        inside.until(lambda: contents(url) == undisturbed())


def test_permission_lost(
    station: MakeStation, undisturbed: Undisturbed, tmp_path: Path, sqlite_url: str
) -> None:
    """Of the database: one line, nothing lost. Of a log: said once, read when it is given back."""
    under: tuple[str, ...] = ()
    if os.geteuid() == 0:  # to whom permissions are nothing, but for these two
        need(shutil.which("setpriv"), "setpriv")
        under = ("setpriv", "--bounding-set=-dac_override,-dac_read_search")
    file = station()
    text_ = write_log(BATCH, tmp_path / "made.csv").read_bytes()
    log = tmp_path / "incoming" / "made.csv"
    log.write_bytes(text_[: len(text_) // 2])
    with Running(file, sqlite_url, under=under) as running:
        running.wait_for("settled")
        with log.open("ab") as out:
            out.write(text_[len(text_) // 2 :])
            log.chmod(0)
        line = running.wait_for("quarantined")
        assert line["first"] == "the file cannot be read: Permission denied"
        running.stop()
    database = tmp_path / "test.db"
    database.chmod(0o400)
    with Running(file, sqlite_url, under=under) as running:
        line = running.wait_for("database away")
        assert str(line["error"]).endswith("the database cannot be written; allow writing there")
        for path in tmp_path.glob("test.db*"):
            path.chmod(0o660)
        running.wait_for("database is back")
        time.sleep(1.5)
        log.chmod(0o600)
        expected = undisturbed()

        def same() -> bool:
            found = contents(sqlite_url)
            return {**found, "quarantine": []} == expected

        wait(same)
        running.stop()
        assert "Traceback" not in "".join(running.raw)


@pytest.mark.parametrize("how", ["middle", "header", "cut"])
def test_damaged_database(
    station: MakeStation, undisturbed: Undisturbed, tmp_path: Path, sqlite_url: str, how: str
) -> None:
    """The damaged file is kept whole, a clear line says so, and the files bring all again."""
    file = station()
    write_log(BATCH, tmp_path / "incoming" / "made.csv")
    with Inside(file, sqlite_url) as inside:
        inside.until(lambda: contents(sqlite_url) == undisturbed())
    path = tmp_path / "test.db"
    content = bytearray(path.read_bytes())
    if how == "cut":
        del content[len(content) // 2 :]
    else:
        at = 0 if how == "header" else 4096
        content[at : len(content) // 2] = b"\x5a" * (len(content) // 2 - at)
    path.write_bytes(content)
    with Inside(file, sqlite_url) as inside:
        said = inside.wait_for("database damaged and set aside; a new one is begun from the"
                               " archive and the sources")  # fmt: skip
        inside.until(lambda: contents(sqlite_url) == undisturbed())
    assert Path(str(said["kept"])).read_bytes() == content
    assert len(list(tmp_path.glob("test.db.damaged-*"))) == 1


def test_damaged_while_it_runs(
    station: MakeStation, undisturbed: Undisturbed, tmp_path: Path, sqlite_url: str
) -> None:
    """The process ends with one line and is started again, as its manager does."""
    file = station()
    text_ = write_log(BATCH, tmp_path / "made.csv").read_bytes()
    cut = text_.index(b"\n", len(text_) // 2) + 1
    log = tmp_path / "incoming" / "made.csv"
    log.write_bytes(text_[:cut])
    with Running(file, sqlite_url) as running:
        running.wait_for("settled")
        path = tmp_path / "test.db"
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        with path.open("r+b") as out:
            out.write(b"\x5a" * path.stat().st_size)
        log.write_bytes(text_)
        assert running.process.wait(60) == 1, running.raw
        assert "not an intact database" in running.raw[-1]
        events = [str(line.get("event")).split(";")[0] for line in running.lines]
        assert events.index("stopped") < events.index("database damaged and set aside")
        assert "Traceback" not in "".join(running.raw)
    with Running(file, sqlite_url) as running:
        wait(lambda: contents(sqlite_url) == undisturbed())
        running.stop()


def count(found: dict[str, object]) -> int:
    """Records."""
    records = found["records"]
    assert isinstance(records, dict)
    return sum(len(times) for times, _ in records.values())


SITTING = """
import contextlib, socket, sys, time
while True:
    held = []
    with contextlib.suppress(OSError):
        for _ in range(1100):
            held.append(socket.create_connection(("127.0.0.1", int(sys.argv[1])), 5))
    print(len(held), flush=True)
    time.sleep(2)
    for one in held:
        one.close()
"""
"""Connects, again and again, and asks for nothing; prints how many connections it has."""


def _answered(url: str) -> bool:
    """Whether a page comes; among a thousand who wait a connection may be let go of."""
    try:
        return bool(urllib.request.urlopen(url, timeout=20).status == 200)
    except OSError:
        return False


def test_a_thousand_who_sit_on_the_page_do_not_stop_the_intake(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, database_url: str,
    measured: Callable[[str, object], None],
) -> None:  # fmt: skip
    """1,100 connections that ask for nothing, over and over, and the broker comes back
    meanwhile: its new connection has a number above 1,023 where they may all stay.
    """
    port = free_port()
    page = f"[page]\nport = {port}"
    sitting = subprocess.Popen(
        [sys.executable, "-c", SITTING, str(port)], stdout=subprocess.PIPE, text=True
    )
    with Running(station(broker.source(), page), database_url) as running:
        running.wait_for("page served")
        running.wait_for("broker connected")
        try:
            broker.publish(TOPIC, packs(part(BATCH, slice(0, HALF))))
            time.sleep(3.0)
            assert sitting.poll() is None
            broker.stop()
            running.wait_for("broker disconnected")
            broker.start()
            wait(lambda: len(running.events("broker connected")) > 1, 60, running.raw)
            broker.publish(TOPIC, packs(part(BATCH, slice(HALF, None))))
            wait(lambda: contents(database_url) == undisturbed(), 60, running.raw)
            wait(lambda: _answered(f"http://127.0.0.1:{port}/log"), 150, running.raw)
        finally:
            sitting.kill()
            said, _ = sitting.communicate(timeout=10)
        made = max(map(int, said.split()), default=0)
        found, expected = (count(x) for x in (contents(database_url), undisturbed()))
        measured("idle connections made to the page at once", f"{made:,}")
        measured("the broker's records taken meanwhile", f"{found:,} of {expected:,}")
        assert made == 1100
        running.stop()


def test_a_burst_ten_times_as_fast(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, sqlite_url: str
) -> None:
    """Steady messages, a burst, steady again."""
    with Inside(station(broker.source(in_flight=50)), sqlite_url) as inside:
        inside.wait_for("broker connected")
        messages = packs(BATCH, rows=4)
        third = len(messages) // 3
        for payload in messages[:20]:
            broker.publish(TOPIC, [payload])
        broker.publish(TOPIC, messages[20 : 2 * third])
        broker.publish(TOPIC, messages[2 * third :])
        inside.until(lambda: contents(sqlite_url) == undisturbed())


def test_a_week_waits_at_the_broker(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, database_url: str
) -> None:
    """The station's computer was away for a week; one record every 10 s."""
    week = own_line_stream(hours=7 * 24, step_s=10)
    file = station(broker.source())
    with Inside(file, database_url) as inside:
        inside.wait_for("broker connected")
    broker.publish(TOPIC, packs(week, rows=60))
    expected = undisturbed(week)
    with Inside(file, database_url) as inside:
        inside.until(lambda: contents(database_url) == expected, 120)
        assert not inside.events("thread ended")


def test_folder_away(
    station: MakeStation, undisturbed: Undisturbed, tmp_path: Path, sqlite_url: str
) -> None:
    """A share that is not mounted yet, and one that goes."""
    file = station()
    incoming = tmp_path / "incoming"
    incoming.rmdir()
    text_ = write_log(BATCH, tmp_path / "made.csv").read_bytes()
    with Inside(file, sqlite_url) as inside:
        inside.wait_for("folder away")
        incoming.mkdir()
        (incoming / "made.csv").write_bytes(text_[: len(text_) // 2])
        inside.wait_for("settled")
        incoming.rename(tmp_path / "gone")
        inside.wait_for("folder away", count=2)
        shutil.copytree(tmp_path / "gone", incoming)
        (incoming / "made.csv").write_bytes(text_)
        inside.until(lambda: contents(sqlite_url) == undisturbed())
