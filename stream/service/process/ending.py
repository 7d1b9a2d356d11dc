"""Asked to stop, the process ends in time, whatever its threads wait for."""

import os
import signal
import socket
import threading
from collections.abc import Callable
from contextlib import ExitStack
from types import FrameType
from typing import Final

from stream.ingest.broker.mqtt import Tell

WITHIN_S: Final = 8.5
"""After so long the process ends as it is; we promise ten seconds."""
_SIGNALS: Final = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
"""The last comes when the terminal is closed."""


class Ending:
    """Obeys SIGTERM, SIGINT and SIGHUP while it is entered.

    A thread of its own hears of them, since the main thread may wait inside a database
    driver. What is not committed by the end is neither acknowledged nor marked as read: it
    comes again at the next start, as after a kill.

    Parameters
    ----------
    stop : Event
        Set when a signal has come.
    tell : callable
        The log.
    flush : callable
        Waits a moment until what was told is written.
    """

    def __init__(self, stop: threading.Event, tell: Tell, flush: Callable[[], None]) -> None:
        self._stop = stop
        self._tell = tell
        self._flush = flush
        self._over = threading.Event()
        self._stack = ExitStack()

    def __enter__(self) -> "Ending":
        inside, outside = socket.socketpair()
        outside.setblocking(False)
        self._stack.callback(outside.close)
        for number in _SIGNALS:
            if signal.getsignal(number) is signal.SIG_IGN:
                continue  # nohup, or a shell that runs us in the background
            self._stack.callback(signal.signal, number, signal.signal(number, _heard))
        before = signal.set_wakeup_fd(outside.fileno(), warn_on_full_buffer=False)
        self._stack.callback(signal.set_wakeup_fd, before)
        threading.Thread(target=self._watch, args=(inside,), name="ending", daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._stack.close()

    def _watch(self, inside: socket.socket) -> None:
        with inside:
            while heard := inside.recv(1):
                if heard[0] in _SIGNALS:
                    break
            else:
                return
        self._stop.set()
        if not self._over.wait(WITHIN_S):
            self._tell("warning", "stopped in the middle of work; it is done at the next start")
            self._flush()
            os._exit(0)


def _heard(_number: int, _frame: FrameType | None) -> None:
    """The thread that watches has been woken already."""
