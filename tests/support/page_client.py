"""Somebody who looks at the station page, without a browser."""

import http.client
import re
import threading
import urllib.parse
from collections.abc import Iterator
from contextlib import closing, contextmanager

from page_served import WORD

from stream.station import StationFile
from stream.store import open_store
from stream.web.page_in_service import page_app
from stream.web.serve import listen, serve


class Client:
    """A browser without scripts: keeps its cookie, sends forms."""

    def __init__(self, base: str) -> None:
        self.host = urllib.parse.urlsplit(base).netloc
        self.cookie = ""

    def ask(
        self, method: str, path: str, form: dict[str, str] | None = None, **headers: str
    ) -> tuple[int, str, dict[str, str]]:
        connection = http.client.HTTPConnection(self.host, timeout=30)
        sent = {"Cookie": self.cookie, **headers}
        body = None
        if form is not None:
            body = urllib.parse.urlencode(form)
            sent["Content-Type"] = "application/x-www-form-urlencoded"
        with closing(connection):
            connection.request(method, path, body, sent)
            answer = connection.getresponse()
            text = answer.read().decode()
            found = dict(answer.getheaders())
        if "set-cookie" in {k.lower() for k in found}:
            cookie = next(v for k, v in found.items() if k.lower() == "set-cookie")
            self.cookie = cookie.split(";")[0]
            found["set-cookie"] = cookie
        return answer.status, text, found

    def word(self, path: str = "/sign-in") -> str:
        """The word that our forms bear."""
        text = self.ask("GET", path)[1]
        (word,) = set(re.findall(r'name="form" value="([^"]+)"', text))
        return word

    def sign_in(self, word: str = WORD) -> int:
        form = {"form": self.word(), "name": "R. Tarn", "token": word}
        return self.ask("POST", "/sign-in", form)[0]


@contextmanager
def alone(file: StationFile, url: str) -> Iterator[Client]:
    """The page by itself, in a thread, and somebody who looks at it."""
    with closing(open_store(url)) as store, listen("127.0.0.1", 0) as on:
        stop = threading.Event()
        app = page_app(file, url, store)
        thread = threading.Thread(target=serve, args=(app, on, stop))
        thread.start()
        try:
            yield Client(f"http://127.0.0.1:{on.getsockname()[1]}")
        finally:
            stop.set()
            thread.join(10)
    assert not thread.is_alive()
