"""The service starts where there is no database to be had: records are taken, people are told."""

import os
import socket
import sqlite3
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from broker import Mosquitto, free_port
from inside import Inside
from receivers import Hook
from running import Running, wait
from small import contents, own_line_stream, packs, part
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from stream.ingest.broker.messages import Message
from stream.service.spool import Spool
from stream.store import connect

TOPIC = "small/records/a"
BATCH = own_line_stream(hours=0.6)
HALF = len(BATCH) // 2
MakeStation = Callable[..., Path]
Undisturbed = Callable[..., dict[str, object]]


def alerts(url: str) -> str:
    return (
        f'[webhook]\nurl = "{url}"\n'
        '[alerts]\nrules = ["database_away"]\nhold_min = 0.0\nurgent = ["database_away"]'
    )


def test_its_folder_is_not_there(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """As with a disk that comes late: what loggers send meanwhile is on this disk and
    acknowledged; a kill loses nothing of it; then all is as if nothing had been.
    """
    disk = tmp_path / "disk"
    url = f"sqlite:///{disk / 'test.db'}"
    with Hook() as hook:
        file = station(broker.source(), alerts(hook.url))
        with Running(file, url) as running:
            line = running.wait_for("database away")
            assert "its folder is not there; mount its disk" in str(line["error"])
            running.wait_for("broker connected")
            broker.publish(TOPIC, packs(part(BATCH, slice(0, HALF))))
            spool = tmp_path / ".small.spool"
            wait(spool.exists, 20, running.raw)
            wait(lambda: hook.posts, 20, running.raw)
            assert hook.posts[0][1]["rule"] == "database_away"
            time.sleep(1.0)
            running.kill()
        with Running(file, url) as running:
            running.wait_for("broker connected")
            broker.publish(TOPIC, packs(part(BATCH, slice(HALF, None))))
            time.sleep(2.0)
            disk.mkdir()
            running.wait_for("database is back", 60)
            running.wait_for("messages taken that had waited on the disk")
            wait(lambda: contents(url) == undisturbed(), 60, running.raw)
            assert not spool.exists()
            running.stop()
        assert "Traceback" not in "".join(running.raw)


def test_another_program_holds_it(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, sqlite_url: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setattr(connect, "BUSY_S", 1)
    file = station(broker.source())
    database = make_url(sqlite_url).database or ""
    other = sqlite3.connect(database, isolation_level=None)
    other.execute("PRAGMA journal_mode = WAL")
    other.execute("BEGIN EXCLUSIVE")
    with Inside(file, sqlite_url) as inside:
        inside.wait_for("database away")
        inside.wait_for("broker connected")
        broker.publish(TOPIC, packs(BATCH))
        time.sleep(2.0)
        other.execute("ROLLBACK")
        other.close()
        inside.wait_for("database is back", 60)
        inside.until(lambda: contents(sqlite_url) == undisturbed())


@pytest.mark.postgres
def test_its_server_takes_nobody(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, postgres_url: str
) -> None:
    file = station(broker.source())
    name = make_url(postgres_url).database
    engine = create_engine(
        make_url(postgres_url).set(database="postgres"), isolation_level="AUTOCOMMIT"
    )
    with engine.connect() as server:
        server.execute(text(f'ALTER DATABASE "{name}" ALLOW_CONNECTIONS false'))
        try:
            with Inside(file, postgres_url) as inside:
                inside.wait_for("database away")
                inside.wait_for("broker connected")
                for rows in np.array_split(np.arange(len(BATCH)), 5):
                    broker.publish(TOPIC, packs(part(BATCH, rows)))
                server.execute(text(f'ALTER DATABASE "{name}" ALLOW_CONNECTIONS true'))
                inside.wait_for("database is back", 60)
                inside.until(lambda: contents(postgres_url) == undisturbed())
        finally:
            server.execute(text(f'ALTER DATABASE "{name}" ALLOW_CONNECTIONS true'))
    engine.dispose()


@pytest.fixture(params=["folder", "port", "server"])
def away(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """A database that is not there: its folder is missing, nobody listens, or a server takes
    the connection and never answers.
    """
    if request.param == "folder":
        yield f"sqlite:///{tmp_path / 'nowhere' / 'x.db'}"
    elif request.param == "port":
        yield f"postgresql+psycopg://u@127.0.0.1:{free_port()}/x"
    else:
        with socket.create_server(("127.0.0.1", 0)) as server:
            port = server.getsockname()[1]
            yield f"postgresql+psycopg://u@127.0.0.1:{port}/x?connect_timeout=120"


def test_the_manager_hears_of_a_service_that_waits_and_can_stop_it(
    broker: Mosquitto, station: MakeStation, tmp_path: Path, away: str
) -> None:
    """sd_notify(3): ready, alive more often than asked for, and it ends when it is told to, also
    in the middle of a try that nobody answers; what it took meanwhile is on the disk.
    """
    path = tmp_path / "notify"
    manager_is = {"NOTIFY_SOCKET": str(path), "WATCHDOG_USEC": "5000000", "WATCHDOG_PID": ""}
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(path))
        manager.settimeout(60)
        with Running(station(broker.source()), away, **manager_is) as running:
            assert manager.recv(1000) == b"READY=1\nSTATUS=waiting for the database"
            heard = []
            for _ in range(8):
                assert manager.recv(1000) == b"WATCHDOG=1"
                heard.append(time.monotonic())
            assert max(np.diff(heard)) < 5.0
            running.wait_for("broker connected")
            broker.publish(TOPIC, packs(part(BATCH, slice(0, HALF))))
            spool = tmp_path / ".small.spool"
            wait(spool.exists, 30, running.raw)
            running.stop(20)
        assert spool.exists()
        assert "Traceback" not in "".join(running.raw)


def test_a_spool_that_was_cut_off_gives_what_is_whole(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "s")
    one, two = Message("a/b", b"\0\xff1", 5), Message("a/c", "Gerät".encode(), 6)
    spool.keep("x", [one, two])
    whole = spool.path.read_bytes()
    with spool.path.open("ab") as out:
        out.write(whole[: len(whole) // 3])  # power failed in the middle of the next
    spool.keep("y", [two])
    assert [
        (name, [(m.topic, m.payload, m.arrived_us) for m in group])
        for name, group in spool.groups()
    ] == [
        ("x", [("a/b", b"\0\xff1", 5), ("a/c", "Gerät".encode(), 6)]),
        ("y", [("a/c", "Gerät".encode(), 6)]),
    ]
    assert os.stat(spool.path).st_mode & 0o007 == 0
    spool.clear()
    assert spool.is_empty
