"""The mark that a writer leaves in an SQLite database, for who comes to it by another way."""

import json
import os
import socket
import time
from pathlib import Path
from typing import Any, Final

from stream.errors import StoreError
from stream.store.connect import Store
from stream.store.marks import Marks

_NAME: Final = "writer"
_STALE_S: Final = 180.0
"""A mark from elsewhere that is older is left over."""
REFRESH_S: Final = 60.0


class Owner:
    """Who writes for a station.

    Parameters
    ----------
    store : Store
        With its tables.
    station : str
    """

    def __init__(self, store: Store, station: str) -> None:
        self._marks = Marks(store, station)
        self._me: dict[str, Any] = {"host": socket.gethostname(), "boot": _boot(), **_process()}
        self._put_at = 0.0

    def other(self) -> str:
        """Another writer that is alive, for people; empty where there is none."""
        try:
            found = json.loads(self._marks.get(_NAME) or "{}")
            if found["host"] == self._me["host"]:
                if found["boot"] != self._me["boot"]:
                    return ""  # nothing has lived over a start of this computer
                alive = found["pid"] != self._me["pid"] and _began(found["pid"]) == found["began"]
                return f" (process {found['pid']})" if alive else ""
            age = time.time() - float(found["at"])
            return f" (on {found['host']})" if abs(age) < _STALE_S else ""
        except (KeyError, TypeError, ValueError):
            return ""  # nobody's, or that of another release

    def put(self) -> None:
        """Leave our mark, or renew it where it is due."""
        if time.monotonic() - self._put_at < REFRESH_S and self._put_at:
            return
        self._marks.put(_NAME, json.dumps({**self._me, "at": time.time()}))
        self._put_at = time.monotonic()

    def take_away(self) -> None:
        """Leave nothing behind."""
        try:
            self._marks.put(_NAME, "{}")
        except StoreError:
            return  # what is left over keeps nobody out


def _process() -> dict[str, Any]:
    return {"pid": os.getpid(), "began": _began(os.getpid())}


def _boot() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        return ""


def _began(pid: int) -> str:
    """When a process began, so that a number that is used again is not taken for it; empty
    where there is none.
    """
    try:
        # Behind the name, which may hold blanks and brackets, the 20th field: proc(5).
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[19]
    except (OSError, IndexError):
        pass
    try:
        os.kill(pid, 0)
    except (OSError, OverflowError):
        return ""
    return "there"
