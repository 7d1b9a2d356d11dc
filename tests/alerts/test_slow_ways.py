"""Servers that answer slowly, wrongly or never: each holds up its own way, and only for a while."""

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest
from inside import Inside
from receivers import Mailbox
from small import station_text

from stream.alerts import ways
from stream.alerts.outbox import Outbox
from stream.alerts.ways import NotTold, send
from stream.service import schedule
from stream.station import StationFile, load_station
from stream.store import open_store
from stream.store.messages import Message, Messages


class Rude:
    """A TCP server that does to each connection what a test wants."""

    def __init__(self, treat: Callable[[socket.socket], None]) -> None:
        self._treat = treat
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self.connections = 0
        self.over = threading.Event()
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                connection, _ = self._listener.accept()
                self.connections += 1
                threading.Thread(target=self._one, args=(connection,), daemon=True).start()

    def _one(self, connection: socket.socket) -> None:
        with suppress(OSError), connection:
            self._treat(connection)

    def close(self) -> None:
        self.over.set()
        self._listener.close()


@pytest.fixture
def rude() -> Iterator[Callable[[Callable[[socket.socket], None]], Rude]]:
    made: list[Rude] = []

    def make(treat: Callable[[socket.socket], None]) -> Rude:
        made.append(Rude(treat))
        return made[-1]

    yield make
    for one in made:
        one.close()


def drip(connection: socket.socket) -> None:
    """The beginning of an answer, then a byte of it every so often, for ever."""
    connection.sendall(b"HTTP/1.1 2")
    while True:
        connection.sendall(b"0")
        time.sleep(0.1)


def drip_headers(connection: socket.socket) -> None:
    """It has taken the alert, and says so without an end."""
    connection.sendall(b"HTTP/1.1 200 OK\r\nX-Long: ")
    while True:
        connection.sendall(b"x")
        time.sleep(0.1)


def drip_at_once(connection: socket.socket) -> None:
    """Bytes that no protocol knows, one by one; TLS waits for the rest of them."""
    connection.sendall(b"\x16\x03\x03\x40\x00")
    while True:
        connection.sendall(b"x")
        time.sleep(0.1)


def drip_greeting(connection: socket.socket) -> None:
    """A mail server that never ends its first line."""
    while True:
        connection.sendall(b"220 ")
        time.sleep(0.1)


def silent(connection: socket.socket) -> None:
    """Takes what comes and says nothing."""
    while connection.recv(65_536):
        pass


def no_http(connection: socket.socket) -> None:
    """Something else listens there."""
    connection.recv(65_536)
    connection.sendall(b"+OK ready\r\n")


def station(folder: Path, extra: str) -> StationFile:
    path = folder / "station.toml"
    path.write_text(station_text(extra=extra))
    (folder / "incoming").mkdir(exist_ok=True)
    return load_station(path)


def hooked(port: int, scheme: str = "http") -> str:
    return f'[webhook]\nurl = "{scheme}://127.0.0.1:{port}/alerts"\n'


def mailed(port: int, security: str = "none") -> str:
    return (
        f'[mail]\nhost = "127.0.0.1"\nport = {port}\nsecurity = "{security}"\n'
        'sender = "a@b.example"\nto = ["c@d.example"]\n'
    )


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """What takes forty seconds takes one and a half, and what takes twenty, one."""
    monkeypatch.setattr(ways, "_ALL_S", 1.5)
    monkeypatch.setattr(ways, "_WAIT_S", 1.0)


ALERT = Message("alert x", "webhook", {"json": {"rule": "disk_low"}})
MAIL = Message("alert x", "mail", {"subject": "x", "text": "x"})


@pytest.mark.usefixtures("hasty")
@pytest.mark.parametrize(
    ("treat", "extra", "message", "why"),
    [
        (drip, hooked, ALERT, "not done within"),
        (drip_at_once, lambda port: hooked(port, "https"), ALERT, "timed out"),
        (silent, hooked, ALERT, "timed out"),
        (no_http, hooked, ALERT, "not HTTP"),
        (drip_greeting, mailed, MAIL, "not done within"),
        (drip_at_once, lambda port: mailed(port, "tls"), MAIL, "timed out"),
        (silent, mailed, MAIL, "timed out"),
        (no_http, mailed, MAIL, "mail server"),
    ],
)
def test_a_conversation_ends_whatever_the_server_does(
    tmp_path: Path,
    rude: Callable[[Callable[[socket.socket], None]], Rude],
    treat: Callable[[socket.socket], None],
    extra: Callable[[int], str],
    message: Message,
    why: str,
) -> None:
    server = rude(treat)
    begun = time.monotonic()
    with pytest.raises(NotTold, match=why):
        send(station(tmp_path, extra(server.port)), message)
    assert time.monotonic() - begun < 10.0
    assert server.connections == 1


@pytest.mark.usefixtures("hasty")
def test_an_alert_that_was_taken_is_told_however_long_the_answer(
    tmp_path: Path, rude: Callable[[Callable[[socket.socket], None]], Rude]
) -> None:
    begun = time.monotonic()
    send(station(tmp_path, hooked(rude(drip_headers).port)), ALERT)
    assert time.monotonic() - begun < 10.0


@pytest.mark.usefixtures("hasty")
def test_an_answer_that_nobody_foresaw_is_no_reason_to_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def odd(*_: object) -> None:
        raise KeyError("content-length")

    monkeypatch.setitem(ways._WAYS, "webhook", odd)
    with pytest.raises(NotTold, match="KeyError"):
        send(station(tmp_path, hooked(9)), ALERT)


def test_a_webhook_that_drips_holds_up_nobody(
    tmp_path: Path,
    sqlite_url: str,
    rude: Callable[[Callable[[socket.socket], None]], Rude],
    monkeypatch: pytest.MonkeyPatch,
    measured: Callable[[str, object], None],
) -> None:
    """The service goes on, mail comes at once, and the alert waits in the database, where
    it is found after a restart.
    """
    monkeypatch.setattr(ways, "_ALL_S", 3.0)
    monkeypatch.setattr(schedule, "HEALTH_S", 1.0)
    server = rude(drip)
    with Mailbox() as mailbox:
        extra = hooked(server.port) + mailed(mailbox.port)
        alerts = '[alerts]\nrules = ["disk_low"]\nhold_min = 0.0\n[service]\nmin_free_mb = 1e12\n'
        station(tmp_path, extra + alerts)
        with Inside(tmp_path / "station.toml", sqlite_url) as inside:
            inside.until(lambda: server.connections or mailbox.mails)
            begun = time.monotonic()
            inside.until(lambda: server.connections and mailbox.mails)
            measured("mail waits for a webhook that drips", f"{time.monotonic() - begun:.1f} s")
            assert mailbox.mails
            said = inside.wait_for("message not told")
            assert said["way"] == "webhook"
            assert "not done within 3 s" in str(said["error"])
            assert time.monotonic() - begun < 10.0
            ended = len(inside.events("thread ended"))
            measured("threads of the service ended by a webhook that drips", ended)
            assert ended == 0
    with closing(open_store(sqlite_url)) as store:
        kept = Messages(store, "small").waiting()
    measured("alerts to a webhook that drips kept for the next try", f"{len(kept)} of 1")
    (waiting,) = kept
    assert waiting["way"] == "webhook"


def test_each_way_takes_its_own_messages(tmp_path: Path, sqlite_url: str) -> None:
    file = station(tmp_path, hooked(9))
    with closing(open_store(sqlite_url)) as store:
        messages = Messages(store, "small")
        messages.put([ALERT, MAIL], 1)
        assert [m.way for m in messages.due(10, "mail")] == ["mail"]
        assert Outbox(file, messages, "mqtt", lambda *_, **__: None).look() == 0
        assert len(messages.waiting()) == 2
