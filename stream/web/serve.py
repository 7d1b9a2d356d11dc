"""Serving the page, by itself or inside the service."""

import asyncio
import socket
import threading
from collections.abc import Callable
from typing import Final

import uvicorn
from starlette.applications import Starlette

from stream.errors import CommandError
from stream.web.guests import MOST_HEADERS, Guest

_LOOK_S: Final = 0.25
_GRACE_S: Final = 3


def listen(host: str, port: int) -> socket.socket:
    """A socket to serve on.

    Raises
    ------
    CommandError
        The port is taken, or the host is not one of this computer's.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family)
    except OSError as error:
        raise CommandError(
            f"page: {host}:{port} cannot be listened on: {error.strerror}; choose another port"
        ) from None


def serve(
    app: Starlette,
    on: socket.socket,
    stop: threading.Event,
    beat: Callable[[], None] = lambda: None,
) -> None:
    """Answer until ``stop`` is set; ``beat`` is called all the while."""
    asyncio.run(_serve(app, on, stop, beat))


async def _serve(
    app: Starlette, on: socket.socket, stop: threading.Event, beat: Callable[[], None]
) -> None:
    config = uvicorn.Config(
        app,
        http=Guest,
        ws="none",
        h11_max_incomplete_event_size=MOST_HEADERS,
        log_config=None,
        access_log=False,
        server_header=False,
        lifespan="off",
        timeout_graceful_shutdown=_GRACE_S,
        # The page counts clients by their address; who stands before it is not believed.
        proxy_headers=False,
    )
    server = uvicorn.Server(config)
    answering = asyncio.create_task(server.serve(sockets=[on]))
    while not stop.is_set() and not answering.done():
        beat()
        await asyncio.sleep(_LOOK_S)
    server.should_exit = True
    await answering
