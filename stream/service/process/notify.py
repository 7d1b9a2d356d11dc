"""Telling the service manager how we are: the sd_notify protocol over its socket."""

import os
import socket
from contextlib import suppress


class Notifier:
    """Sends states to the socket that the manager names in ``NOTIFY_SOCKET``, if it does."""

    def __init__(self) -> None:
        self._address = os.environ.get("NOTIFY_SOCKET", "")
        if self._address.startswith("@"):
            self._address = "\0" + self._address[1:]
        limit = os.environ.get("WATCHDOG_USEC", "")
        mine = os.environ.get("WATCHDOG_PID") in {None, "", str(os.getpid())}
        self.watchdog_s = int(limit) / 1e6 if limit.isdigit() and mine else None
        """How long the manager waits for :meth:`alive` before it ends the process [s]."""

    def send(self, *states: str) -> None:
        """Send states such as ``READY=1``; without a manager nothing happens."""
        if not self._address or not hasattr(socket, "AF_UNIX"):
            return
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.connect(self._address)
            out.sendall("\n".join(states).encode())

    def alive(self) -> None:
        """Feed the watchdog."""
        if self.watchdog_s is not None:
            self.send("WATCHDOG=1")
