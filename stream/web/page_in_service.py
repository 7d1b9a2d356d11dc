"""The station page joined to the path of the records."""

import threading
from collections.abc import Callable, Mapping
from typing import Any

from starlette.applications import Starlette

from stream.compute.apply_notes import take_up
from stream.compute.closure_samples import samples_around
from stream.errors import StoreError
from stream.ingest.broker.mqtt import Tell
from stream.station import StationFile
from stream.store import Store, open_existing
from stream.store.station_data import StationData
from stream.web.app import key_path, make_app, why_nobody_may_write
from stream.web.serve import listen, serve
from stream.web.sessions import KeyFile


def _samples(
    data: StationData, chamber: str, closed_us: int, opened_us: int, open_gap_us: int
) -> Mapping[str, Mapping[str, Any]]:
    station = data.file.station
    return samples_around(station, data.journal, chamber, closed_us, opened_us, open_gap_us)


def page_app(
    file: StationFile, url: str, store: Store, noted: Callable[[], None] = lambda: None
) -> Starlette:
    """The page over an open store; ``noted`` is called when somebody has written."""
    return make_app(file, url, store, _samples, noted)


class PagePart:
    """The page as a part of the service; its writer takes notes up."""

    def __init__(self, file: StationFile, url: str, store: Store, tell: Tell) -> None:
        self._app = page_app(file, url, store)
        closed = why_nobody_may_write(file) if file.page_token is not None else ""
        self._closed = {"note": closed} if closed else {}
        self._rules = file.station.page
        self._tell = tell

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        """Serve until ``stop`` is set."""
        with listen(self._rules.host, self._rules.port) as on:
            host, port = on.getsockname()[:2]
            self._tell("info", "page served", at=f"http://{host}:{port}/", **self._closed)
            serve(self._app, on, stop, beat)


def end_sessions(file: StationFile, url: str) -> str:
    """Sign everybody out, of a page that is served too; what was done, for people.

    Raises
    ------
    StoreError
        There is no database, or its folder cannot be written.
    """
    store = open_existing(url)
    try:
        path = key_path(file, store)
    finally:
        store.close()
    if not KeyFile(path).renew():
        raise StoreError(f"{path}: cannot be written; allow writing there")
    return "All sessions are ended."


def serve_page(
    file: StationFile,
    url: str,
    host: str,
    port: int,
    say: Callable[[str], None],
    stop: threading.Event,
) -> None:
    """Serve the page by itself, until interrupted or ``stop`` is set.

    Notes are taken up by a running service, or else here.

    Raises
    ------
    CommandError
        The port is taken.
    StoreError
        There is no database.
    """
    store = open_existing(url)
    working = threading.Lock()

    def work() -> None:
        with working:
            take_up(file, store)

    def noted() -> None:
        threading.Thread(target=work, name="notes", daemon=True).start()

    try:
        app = page_app(file, url, store, noted)
        with listen(host, port) as on:
            shown, number = on.getsockname()[:2]
            say(f"http://{shown}:{number}/ (Ctrl-C ends it)")
            serve(app, on, stop)
    finally:
        store.close()
