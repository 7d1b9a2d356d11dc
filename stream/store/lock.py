"""One writer a station: whoever else comes is told who is there."""

import hashlib
import json
import os
import socket
import time
from contextlib import closing
from pathlib import Path
from typing import Any, Final

from filelock import FileLock, Timeout
from sqlalchemy import Connection, text

from stream.errors import StoreBusy, StoreDamaged, StoreError, StoreTaken
from stream.store.connect import Store
from stream.store.station_data import Marks

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


class WriterLock:
    """Held by the one process that writes for a station; ends with the process, however it ends.

    On SQLite a locked file beside the database, by its real path, and a mark inside it for
    who comes by another; on PostgreSQL an advisory lock of a connection of its own.

    Raises
    ------
    StoreTaken
        Another process holds it.
    """

    def __init__(self, store: Store, station: str) -> None:
        self._store = store
        self._station = station
        self._file: FileLock | None = None
        self._owner: Owner | None = None
        self._inode: tuple[int, int] | None = None
        self._connection: Connection | None = None
        self._shown_at = 0.0
        self.renew()

    def renew(self) -> None:
        """Take the lock, or again where a server that was away has forgotten it.

        Raises
        ------
        StoreTaken
            Another process holds it.
        StoreError
            The server is away.
        """
        if self._store.is_sqlite:
            if self._file is None:
                self._lock_file()
            self._must_be_ours()
            if self._owner is not None:
                self.claim()
            return
        with self._store.plain_errors():
            if self._connection is not None:
                try:
                    self._connection.execute(text("SELECT 1"))
                    return
                except Exception:
                    self._connection.invalidate()
                    self._connection.close()
                    self._connection = None
            connection = self._store.engine.connect()
            connection.execution_options(isolation_level="AUTOCOMMIT")
            key = int.from_bytes(
                hashlib.blake2b(f"lidstream {self._station}".encode(), digest_size=8).digest(),
                signed=True,
            )
            if not connection.execute(
                text("SELECT pg_try_advisory_lock(:key)"), {"key": key}
            ).scalar():
                connection.close()
                raise self._busy("")
            self._connection = connection

    def claim(self) -> None:
        """Leave a mark in the database, once it has its tables; renewed with the lock.

        Raises
        ------
        StoreTaken
            Another process that is alive has left its own.
        StoreError
            The database refuses.
        """
        if not self._store.is_sqlite:
            return
        owner = self._owner or Owner(self._store, self._station)
        other = owner.other()
        if other:
            raise self._busy(other)
        owner.put()
        if self._owner is None or time.monotonic() - self._shown_at > REFRESH_S:
            self._show()
        self._owner = owner

    def _show(self) -> None:
        """Move the mark out of SQLite's log into the file itself: who comes by a file that is
        mounted alone has another log beside it, and sees the file only.
        """
        with self._store.plain_errors(), closing(self._store.engine.raw_connection()) as raw:
            raw.cursor().execute("PRAGMA wal_checkpoint(PASSIVE)")
        self._shown_at = time.monotonic()

    def release(self) -> None:
        """Let others write."""
        if self._owner is not None:
            self._owner.take_away()
            self._owner = None
        if self._file is not None:
            Path(self._file.lock_file).with_suffix(".pid").unlink(missing_ok=True)
            self._file.release()
            self._file = None
        if self._connection is not None:
            self._connection.invalidate()
            self._connection.close()
            self._connection = None

    def __enter__(self) -> "WriterLock":
        return self

    def __exit__(self, *_: object) -> None:
        self.release()

    def _lock_file(self) -> None:
        # By any link there is one file, and beside it one lock.
        database = Path(str(self._store.engine.url.database)).resolve()
        if not database.parent.is_dir():
            raise StoreError(
                f"{self._store.shown}: the database cannot be opened: its folder is not there;"
                " mount its disk, or make the folder"
            )
        if database.exists() and database.stat().st_nlink > 1:
            raise StoreTaken(
                f"{self._store.shown}: the file has another name too (a hard link), under which a"
                " second program would damage it; keep one of them"
            )
        # Beside the database and by its station, since several may share a file.
        path = database.with_name(f"{database.name}.{self._station}.lock")
        lock = FileLock(path, timeout=0, mode=0o660, thread_local=False)
        try:
            lock.acquire()
        except Timeout:
            raise self._busy(_who(path)) from None
        except OSError as error:
            raise StoreBusy(
                f"{self._store.shown}: cannot be locked: {path}: {error.strerror}; allow"
                " writing there"
            ) from None
        self._file = lock
        who = path.with_suffix(".pid")
        with os.fdopen(os.open(who, os.O_CREAT | os.O_TRUNC | os.O_WRONLY, 0o660), "w") as out:
            out.write(str(os.getpid()))

    def _must_be_ours(self) -> None:
        """Notice a file that was deleted, or put in place of ours: what we write goes nowhere.

        Raises
        ------
        StoreDamaged
            It is another.
        """
        path = Path(str(self._store.engine.url.database)).resolve()
        try:
            about = path.stat()
            found = about.st_dev, about.st_ino
        except FileNotFoundError:
            found = None
        except OSError:
            return
        if self._inode is not None and found != self._inode:
            raise StoreDamaged(f"{path}: deleted, or replaced, while it was written to")
        self._inode = found

    def _busy(self, who: str) -> StoreTaken:
        return StoreTaken(
            f"{self._store.shown}: another lidstream{who} writes for station {self._station!r};"
            " stop it first"
        )


def _who(path: Path) -> str:
    try:
        return f" (process {int(path.with_suffix('.pid').read_text())})"
    except (OSError, ValueError):
        return ""


class OneService:
    """Held by the one service of a station file, whatever databases it is given.

    Raises
    ------
    StoreTaken
        Another process holds it.
    """

    def __init__(self, path: Path) -> None:
        self._lock = FileLock(path, timeout=0, mode=0o660, thread_local=False)
        try:
            self._lock.acquire()
        except Timeout:
            raise StoreTaken(
                f"{path}: another lidstream runs for this station file; stop it first"
            ) from None
        except OSError:
            return  # a folder that cannot be written: the database's own lock must do

    def __enter__(self) -> "OneService":
        return self

    def __exit__(self, *_: object) -> None:
        self._lock.release()
