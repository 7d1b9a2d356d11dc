"""Connections to the page: so many, for so long, each asking in good time."""

import asyncio
import select
from typing import Final

import h11
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

MOST: Final = 200
"""Connections at a time; one more ends the one that has waited longest with its request."""
REQUEST_S: Final = 15.0
"""A request must be whole by then, and an answer taken that moves at all."""
_LOOK_S: Final = 1.0
MOST_HEADERS: Final = 16 * 1024
MOST_BODY: Final = 64 * 1024
"""Bytes of a request: a form is far smaller."""
_GONE: Final = select.POLLHUP | select.POLLERR | select.POLLNVAL | getattr(select, "POLLRDHUP", 0)
_ARRIVED: Final = select.POLLIN | _GONE
_ASKING: Final = frozenset({h11.IDLE, h11.SEND_BODY})


class Guest(H11Protocol):
    """One connection, ended when it keeps us waiting."""

    _since: float
    _left: int
    _timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Make room for it."""
        super().connection_made(transport)
        self._since, self._left = self.loop.time(), 0
        self._timer = self.loop.call_later(_LOOK_S, self._look)
        if len(self.connections) > MOST:
            guests = [g for g in self.connections if isinstance(g, Guest) and g is not self]
            waiting = sorted((g for g in guests if g.keeps_waiting), key=lambda g: g._since)
            next((g for g in waiting if not g.has_sent), self).end()

    def connection_lost(self, exc: Exception | None) -> None:
        """It is gone."""
        if self._timer is not None:
            self._timer.cancel()
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        """The next request may begin."""
        self._since = self.loop.time()
        super().on_response_complete()

    @property
    def keeps_waiting(self) -> bool:
        """Whether it is its turn to send."""
        return self.conn.their_state in _ASKING

    @property
    def has_sent(self) -> bool:
        """Whether bytes of it have arrived that nobody has read yet.

        A crowd that comes in one go must not push out a request that came with it.
        """
        poll = select.poll()
        poll.register(self.transport.get_extra_info("socket").fileno(), _ARRIVED)
        return any(not event & _GONE for _, event in poll.poll(0))

    def end(self) -> None:
        """At once, whatever was under way."""
        self.transport.abort()

    def _look(self) -> None:
        now, left = self.loop.time(), self.transport.get_write_buffer_size()
        taking = left != self._left or not left
        if not self.keeps_waiting and taking:
            self._since = now
        self._left = left
        if now - self._since > REQUEST_S:
            self.end()
            return
        self._timer = self.loop.call_later(_LOOK_S, self._look)


class SmallRequests:
    """Refuses a body that is larger than any form of ours."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """As ASGI has it."""
        got = 0

        async def counted() -> Message:
            nonlocal got
            message = await receive()
            got += len(message.get("body", b""))
            if got > MOST_BODY:
                raise HTTPException(413, "That is more than a form can hold.")
            return message

        await self._app(scope, counted, send)
