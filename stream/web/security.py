"""Who may write, and what a browser may do with our pages."""

import hmac
import secrets
import threading
import time
from collections.abc import Callable
from typing import Any, Final
from urllib.parse import urlsplit

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from stream.secret import Secret

POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:;"
    " connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS: Final = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
"""On every answer: nothing comes from elsewhere, and nothing may frame us."""


class Guarded:
    """Puts :data:`HEADERS` on every answer."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """As ASGI has it."""

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                if not scope["path"].startswith("/static/"):
                    headers["Cache-Control"] = "no-store"
            await send(message)

        await self._app(scope, receive, with_headers)


class Rate:
    """So many of something in so many seconds for each client.

    Parameters
    ----------
    most : int
    seconds : float
    clock : callable
        Seconds that only go forward.
    """

    def __init__(
        self, most: int, seconds: float, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._most = most
        self._seconds = seconds
        self._clock = clock
        self._lock = threading.Lock()
        self._seen: dict[str, list[float]] = {}

    def allows(self, client: str) -> bool:
        """Count one, and say whether it is within the rate."""
        now = self._clock()
        with self._lock:
            if len(self._seen) > 10_000:
                self._seen = {k: v for k, v in self._seen.items() if v[-1] > now - self._seconds}
            recent = [t for t in self._seen.get(client, []) if t > now - self._seconds]
            if len(recent) >= self._most:
                self._seen[client] = recent
                return False
            self._seen[client] = [*recent, now]
            return True


def is_token(given: str, token: Secret | None) -> bool:
    """Whether it is the right one; how long that takes tells nothing."""
    return token is not None and hmac.compare_digest(given.encode(), token.reveal().encode())


def form_word(request: Request) -> str:
    """The word that our own forms bear; made when it is first asked for."""
    word = request.session.get("form")
    if not isinstance(word, str):
        word = secrets.token_urlsafe(24)
        request.session["form"] = word
    return word


def is_our_form(request: Request, form: Any) -> bool:
    """Whether a form came from a page of ours, and was sent from our own address."""
    word = request.session.get("form")
    given = form.get("form", "")
    if not isinstance(word, str) or not isinstance(given, str):
        return False
    origin = request.headers.get("origin")
    ours = origin is None or urlsplit(origin).netloc == request.headers.get("host")
    return ours and hmac.compare_digest(word.encode(), given.encode())


def client_of(request: Request) -> str:
    """Whom a rate is counted for."""
    return request.client.host if request.client else ""
