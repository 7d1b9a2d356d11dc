"""Connections that ask for nothing, or too slowly, or too much."""

import http.client
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing

import pytest
from page_client import Client, alone

from stream.station import StationFile
from stream.store import open_store
from stream.web import guests
from stream.web.page_in_service import page_app
from stream.web.serve import listen, serve

Make = Callable[..., StationFile]


@pytest.fixture
def page(make_station: Make, sqlite_url: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Client]:
    """The page; fifteen seconds are two."""
    monkeypatch.setattr(guests, "REQUEST_S", 2.0)
    with alone(make_station(), sqlite_url) as client:
        yield client


def connect(client: Client) -> socket.socket:
    host, port = client.host.split(":")
    return socket.create_connection((host, int(port)), 10)


def is_over(connection: socket.socket) -> bool:
    """Whether the other side has ended it, within ten seconds."""
    try:
        while connection.recv(65_536):
            pass
    except TimeoutError:
        return False
    except OSError:
        pass
    return True


def test_one_who_asks_for_nothing_is_shown_out(page: Client) -> None:
    begun = time.monotonic()
    with connect(page) as idle:
        assert is_over(idle)
    assert 1.5 < time.monotonic() - begun < 8.0


@pytest.mark.parametrize(
    "beginning",
    [b"GET / HT", b"POST /log HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 99\r\n\r\na"],
)
def test_one_who_asks_a_byte_at_a_time_is_shown_out(page: Client, beginning: bytes) -> None:
    begun = time.monotonic()
    with connect(page) as slow:
        slow.sendall(beginning)
        try:
            while time.monotonic() - begun < 8.0:
                slow.sendall(b"x")
                time.sleep(0.2)
        except OSError:
            pass
    assert 1.5 < time.monotonic() - begun < 6.0


def test_requests_that_are_too_large(page: Client) -> None:
    assert page.ask("POST", "/sign-out", {"form": "x" * 70_000})[0] == 413
    with connect(page) as loud:
        loud.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"x" * 20_000)
        assert loud.recv(100).startswith(b"HTTP/1.1 400")


def test_more_than_there_is_room_for(page: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """Those who ask are answered however many sit there; the oldest of these leave first."""
    monkeypatch.setattr(guests, "MOST", 20)
    monkeypatch.setattr(guests, "REQUEST_S", 60.0)
    idle = []
    for _ in range(60):
        idle.append(connect(page))
    for _ in range(5):
        assert page.ask("GET", "/")[0] == 200
    assert is_over(idle[0])
    for one in idle:
        one.close()


def test_one_whose_request_came_in_the_same_moment_as_a_crowd(
    make_station: Make, sqlite_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The page is busy meanwhile and takes all these connections in one go."""
    monkeypatch.setattr(guests, "MOST", 20)
    with (
        closing(open_store(sqlite_url)) as store,
        listen("127.0.0.1", 0) as on,
        ExitStack() as all_,
    ):
        address = on.getsockname()[:2]
        asking = all_.enter_context(socket.create_connection(address, 60))
        asking.sendall(b"GET /log HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        for _ in range(80):
            all_.enter_context(socket.create_connection(address, 10))
        app = page_app(make_station(), sqlite_url, store)
        stop = threading.Event()
        thread = threading.Thread(target=serve, args=(app, on, stop))
        thread.start()
        try:
            assert asking.recv(12) == b"HTTP/1.1 200"
        finally:
            stop.set()
            thread.join(30)


def test_one_who_takes_his_time_between_requests_is_served(page: Client) -> None:
    with closing(http.client.HTTPConnection(page.host, timeout=30)) as calm:
        ends = set()
        for _ in range(3):
            calm.request("GET", "/static/page.css")
            with calm.getresponse() as answer:
                assert answer.status == 200
                assert answer.read()
            ends.add(calm.sock.getsockname() if calm.sock else None)
            time.sleep(1.3)
        assert len(ends) == 1, "it was let go of and had to come again"
