"""A time by which something that waits for others must be over, however slowly they answer."""

import contextlib
import os
import socket
import threading
from types import TracebackType


class Deadline:
    """Cuts connections when their time is up.

    A limit on each answer is not enough: one that comes a byte at a time keeps to it for
    hours.

    Parameters
    ----------
    seconds : float
        How long all of it may take [s].
    """

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self.passed = False
        """Whether it was cut."""
        self._watched: list[socket.socket] = []
        self._lock = threading.Lock()
        self._timer = threading.Timer(seconds, self.cut)
        self._timer.daemon = True

    def watch(self, connection: socket.socket) -> None:
        """Cut this connection too, whatever is wrapped around it later."""
        # A descriptor of our own: TLS takes the other away from its socket.
        copy = socket.socket(fileno=os.dup(connection.fileno()))
        with self._lock:
            self._watched.append(copy)
        if self.passed:
            self.cut()

    def cut(self) -> None:
        """Do so now."""
        with self._lock:
            self.passed = True
            for connection in self._watched:
                with contextlib.suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)

    def __enter__(self) -> "Deadline":
        self._timer.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None
    ) -> None:
        self._timer.cancel()
        with self._lock:
            for connection in self._watched:
                connection.close()
            self._watched.clear()
