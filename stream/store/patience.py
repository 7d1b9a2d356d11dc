"""How long a store waits for others: half a minute, or a moment once it is to end."""

import sqlite3
import threading
import time
from contextlib import suppress
from typing import Any, Final

import psycopg
from sqlalchemy import Connection, Engine, event
from sqlalchemy.pool import ConnectionPoolEntry

_STEP_S: Final = 0.25
"""Whoever waits looks so often whether it should still."""
_CANCEL_S: Final = 2.0


class Patience:
    """Of one store.

    Parameters
    ----------
    engine : Engine
    busy_s : float
        How long to wait for somebody else's write [s].
    """

    def __init__(self, engine: Engine, busy_s: float) -> None:
        self._busy_s = busy_s
        self._over = threading.Event()
        self._in_use: dict[int, tuple[Any, int]] = {}
        self._pool = 0
        self._lock = threading.Lock()
        self._cancels = engine.dialect.name != "sqlite"
        event.listen(engine, "checkout", self._taken)
        event.listen(engine, "checkin", self._given_back)
        if self._cancels:
            event.listen(engine, "begin", self._begin)

    def new_pool(self) -> None:
        """From now on connections that come back are closed, and not kept for the next use: the
        pool that they came from is given up, and nobody else would close them.
        """
        with self._lock:
            self._pool += 1

    def lose(self) -> None:
        """Wait for nobody any more: who waits now is told that the database is in use."""
        self._over.set()
        if not self._cancels:
            return
        with self._lock:
            waiting = [connection for connection, _ in self._in_use.values()]
        for connection in waiting:
            # A server that has vanished does not hear of it either.
            threading.Thread(target=_cancel, args=(connection,), daemon=True).start()

    def begin_writing(self, connection: Connection) -> None:
        """Begin SQLite's write transaction when its turn has come.

        The driver's own wait cannot be ended from outside, so it waits in small steps.
        """
        driver = connection.connection.driver_connection
        assert isinstance(driver, sqlite3.Connection)
        until = time.monotonic() + self._busy_s
        driver.execute(f"PRAGMA busy_timeout = {_ms(min(_STEP_S, self._busy_s))}")
        try:
            while time.monotonic() + _STEP_S < until and not self._over.is_set():
                try:
                    driver.execute("BEGIN IMMEDIATE")
                except sqlite3.OperationalError as error:
                    if "locked" not in str(error):
                        break  # said by the attempt below
                else:
                    return
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        finally:
            with suppress(sqlite3.Error):
                driver.execute(f"PRAGMA busy_timeout = {_ms(self._busy_s)}")

    def _begin(self, connection: Connection) -> None:
        if self._over.is_set():
            connection.exec_driver_sql(f"SET LOCAL lock_timeout = {_ms(_STEP_S)}")

    def _taken(self, connection: Any, record: object, _proxy: object) -> None:
        with self._lock:
            self._in_use[id(record)] = connection, self._pool

    def _given_back(self, connection: Any, record: ConnectionPoolEntry) -> None:
        with self._lock:
            _, pool = self._in_use.pop(id(record), (None, self._pool))
            given_up = pool != self._pool
        if given_up and connection is not None:
            record.invalidate()


def _cancel(connection: Any) -> None:
    with suppress(psycopg.Error, OSError):
        connection.cancel_safe(timeout=_CANCEL_S)


def _ms(seconds: float) -> int:
    return round(seconds * 1000)
