"""Another program has the database for itself: the service ends in time when it is asked to, and
waits when it starts.
"""

import re
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from broker import Mosquitto
from running import ENVIRONMENT, Running, wait
from small import contents, own_line_stream, packs, part
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from stream.store import open_store
from stream.store.schema import metadata

TOPIC = "small/records/a"
BATCH = own_line_stream(hours=0.6)
HALF = len(BATCH) // 2
WITHIN_S = 10.0
"""What configs/README.md promises."""
MakeStation = Callable[..., Path]
Undisturbed = Callable[..., dict[str, object]]


@contextmanager
def held_by_another(url: str) -> Iterator[Callable[[], None]]:
    """Another program has the database for itself alone, until it is asked to let go."""
    if url.startswith("sqlite"):
        other = sqlite3.connect(make_url(url).database or "", isolation_level=None, timeout=60)
        other.execute("BEGIN EXCLUSIVE")
        try:
            yield lambda: other.rollback()
        finally:
            other.close()
        return
    engine = create_engine(url)
    try:
        with engine.connect() as connection:
            tables = ", ".join(f'"{name}"' for name in metadata.tables)
            connection.execute(text(f"LOCK TABLE {tables} IN ACCESS EXCLUSIVE MODE"))
            yield connection.rollback
    finally:
        engine.dispose()


@pytest.mark.parametrize("after_s", [0.0, 3.0])
def test_while_another_holds_the_database(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, database_url: str,
    after_s: float,
) -> None:  # fmt: skip
    """In the middle of work; what was acknowledged by then, and what was not, is there after
    the next start.
    """
    file = station(broker.source(in_flight=15))
    with Running(file, database_url) as running:
        running.wait_for("broker connected")
        broker.publish(TOPIC, packs(part(BATCH, slice(0, HALF))))
        running.wait_for("settled")
        with held_by_another(database_url):
            broker.publish(TOPIC, packs(part(BATCH, slice(HALF, None))))
            time.sleep(after_s)
            running.stop(WITHIN_S)
        assert "Traceback" not in "".join(running.raw)
    with Running(file, database_url) as running:
        running.wait_for("running")
        wait(lambda: contents(database_url) == undisturbed(), 60, running.raw)
        running.stop()


def test_a_start_while_another_holds_the_database(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, database_url: str
) -> None:
    """It can be opened, and nothing in it can be read: messages go to the disk until then."""
    with closing(open_store(database_url)):
        pass
    with (
        held_by_another(database_url) as let_go,
        Running(station(broker.source()), database_url) as running,
    ):
        running.wait_for("broker connected")
        broker.publish(TOPIC, packs(BATCH))
        time.sleep(1.0)
        let_go()
        wait(lambda: contents(database_url) == undisturbed(), 90, running.raw)
        assert running.process.poll() is None
        running.stop()


@pytest.mark.parametrize("after_s", [0.0, 0.5, 1.2])
def test_asked_to_stop_while_it_starts(
    station: MakeStation, sqlite_url: str, after_s: float
) -> None:
    """Before there is anything to end it ends as well as later: a service manager takes
    another exit code for a failure. It listens before it loads what takes long.
    """
    command = [sys.executable, "-m", "stream.cli", "run", str(station()), "--database", sqlite_url]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=ENVIRONMENT) as process:
        about = Path(f"/proc/{process.pid}")

        def listens() -> bool:
            status = (about / "status").read_text()
            (caught,) = re.findall(r"^SigCgt:\s*(\w+)", status, re.MULTILINE)
            return bool(int(caught, 16) >> signal.SIGTERM - 1 & 1)

        try:
            wait(listens, 30)
            if not after_s:
                assert "numpy" not in (about / "maps").read_text()
            time.sleep(after_s)
            process.send_signal(signal.SIGTERM)
            _, said = process.communicate(timeout=30)
        finally:
            process.kill()
    assert process.returncode == 0, said
    assert "Traceback" not in said
