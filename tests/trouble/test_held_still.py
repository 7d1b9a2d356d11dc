"""Processes that are stopped and go on, servers that swallow all, ports and names of others."""

import os
import select
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import pytest
from broker import Mosquitto
from inside import Inside
from running import Running, wait
from servers import POSTGRES
from small import contents, own_line_stream, packs, part
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from stream.ingest.broker.messages import Message
from stream.service.spool import Spool, key_of
from stream.station import MqttSource, load_station

TOPIC = "small/records/a"
BATCH = own_line_stream(hours=0.6)
HALF = len(BATCH) // 2
MakeStation = Callable[..., Path]
Undisturbed = Callable[..., dict[str, object]]


class Between:
    """A way to a server that can swallow all that goes either way, as a dead line does."""

    def __init__(self, host: str, port: int) -> None:
        self.swallows = threading.Event()
        self._to = host, port
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listening.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._listening.accept()
                far = socket.create_connection(self._to)
                threading.Thread(target=self._pass, args=(near, far), daemon=True).start()

    def _pass(self, near: socket.socket, far: socket.socket) -> None:
        with near, far, suppress(OSError):
            while True:
                for one in select.select([near, far], [], [])[0]:
                    content = one.recv(65_536)
                    if not content:
                        return
                    if self.swallows.is_set():
                        continue
                    (far if one is near else near).sendall(content)

    def close(self) -> None:
        """Take nobody any more."""
        self._listening.close()


@pytest.mark.postgres
def test_asked_to_stop_while_the_server_has_vanished(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, postgres_url: str
) -> None:
    """No answer, and no end of the connection either."""
    server = make_url(postgres_url)
    file = station(broker.source(in_flight=15))
    with closing(Between(server.host or "127.0.0.1", server.port or 5432)) as between:
        way = server.set(port=between.port, host="127.0.0.1")
        with Running(file, way.render_as_string(hide_password=False)) as running:
            running.wait_for("broker connected")
            broker.publish(TOPIC, packs(part(BATCH, slice(0, HALF))))
            running.wait_for("settled")
            between.swallows.set()
            broker.publish(TOPIC, packs(part(BATCH, slice(HALF, None))))
            time.sleep(2.0)
            running.stop(10)
    with Running(file, postgres_url) as running:
        running.wait_for("running")
        wait(lambda: contents(postgres_url) == undisturbed(), 90, running.raw)
        running.stop()


@pytest.mark.postgres
def test_a_server_that_takes_no_writes_for_a_while(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, postgres_url: str
) -> None:
    """As one does that stands by for another."""
    name = make_url(postgres_url).database
    engine = create_engine(POSTGRES, isolation_level="AUTOCOMMIT")
    end = text("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = :n")
    with Inside(station(broker.source()), postgres_url) as inside, engine.connect() as server:
        inside.wait_for("broker connected")
        broker.publish(TOPIC, packs(part(BATCH, slice(0, HALF))))
        inside.wait_for("settled")
        server.execute(text(f'ALTER DATABASE "{name}" SET default_transaction_read_only = on'))
        server.execute(end, {"n": name})
        broker.publish(TOPIC, packs(part(BATCH, slice(HALF, None))))
        inside.until(
            lambda: any("cannot be written" in str(e) for e in inside.events("database away"))
        )
        # Connections that were made meanwhile are left as they are.
        server.execute(text(f'ALTER DATABASE "{name}" RESET default_transaction_read_only'))
        inside.wait_for("database is back", 60)
        inside.until(lambda: contents(postgres_url) == undisturbed())
        assert not inside.events("thread ended")
    engine.dispose()


@pytest.mark.parametrize("who", ["service", "broker"])
def test_stopped_for_longer_than_the_broker_waits(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, sqlite_url: str, who: str
) -> None:
    """SIGSTOP and SIGCONT, as a laptop or a virtual machine does: the connection has ended."""
    with Running(station(broker.source(keepalive_s=5)), sqlite_url) as running:
        running.wait_for("broker connected")
        broker.publish(TOPIC, packs(part(BATCH, slice(0, HALF))))
        running.wait_for("settled")
        assert broker.process is not None
        number = running.process.pid if who == "service" else broker.process.pid
        os.kill(number, signal.SIGSTOP)
        if who == "service":
            broker.publish(TOPIC, packs(part(BATCH, slice(HALF, None))))
        time.sleep(12.0)
        os.kill(number, signal.SIGCONT)
        if who == "broker":
            broker.publish(TOPIC, packs(part(BATCH, slice(HALF, None))))
        wait(lambda: contents(sqlite_url) == undisturbed(), 60, running.raw)
        assert not running.events("thread ended")
        running.stop()


def test_another_client_by_our_name(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, sqlite_url: str
) -> None:
    """MQTT 5, section 3.1.4: the broker ends our connection; that is told, and the session is
    taken up again once the other has gone.
    """
    with Inside(station(broker.source()), sqlite_url) as inside:
        inside.wait_for("broker connected")
        broker.publish(TOPIC, packs(part(BATCH, slice(0, HALF))))
        inside.wait_for("settled")
        other = broker.client("lidstream-small-1", keep_session=True)
        inside.wait_for("broker disconnected")
        other.disconnect()
        other.loop_stop()
        inside.wait_for("broker connected", count=2)
        broker.publish(TOPIC, packs(part(BATCH, slice(HALF, None))))
        inside.until(lambda: contents(sqlite_url) == undisturbed())


@contextmanager
def taken_ports() -> Iterator[tuple[int, int]]:
    """Two ports on which somebody else listens."""
    with socket.create_server(("127.0.0.1", 0)) as a, socket.create_server(("127.0.0.1", 0)) as b:
        yield int(a.getsockname()[1]), int(b.getsockname()[1])


def test_ports_that_another_has(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, sqlite_url: str
) -> None:
    """Neither page nor metrics: it is told, and all else goes on."""
    with taken_ports() as (page, metrics):
        extra = f"[page]\nport = {page}\n[service]\nmetrics_port = {metrics}"
        with Running(station(broker.source(), extra), sqlite_url) as running:
            running.wait_for("metrics cannot be served")
            running.wait_for("broker connected")
            broker.publish(TOPIC, packs(BATCH))
            wait(lambda: contents(sqlite_url) == undisturbed(), 60, running.raw)
            wait(lambda: str(page) in "".join(running.raw), 30, running.raw)
            running.stop()
            assert "Traceback" not in "".join(running.raw)


def test_killed_while_it_takes_what_had_waited(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, database_url: str
) -> None:
    """Again and again, at any moment; what was taken twice is there once."""
    file = station(broker.source())
    source = next(s for s in load_station(file).station.sources if isinstance(s, MqttSource))
    spool = Spool.of(load_station(file))
    arrived = time.time_ns() // 1000
    for payload in packs(BATCH, rows=3):
        spool.keep(key_of(source), [Message(TOPIC, payload, arrived)])
    for wait_s in (0.0, 0.3):
        with Running(file, database_url) as running:
            running.wait_for("running")
            time.sleep(wait_s)
            running.kill()
    with Running(file, database_url) as running:
        # All may have been taken before the kills; it is asked to stop when it can be.
        running.wait_for("running")
        wait(lambda: spool.is_empty, 30, running.raw)
        wait(lambda: contents(database_url) == undisturbed(), 60, running.raw)
        running.stop()
