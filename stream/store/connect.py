"""Opening a database: its schema, how long it is waited for, and what is wrong with it in words."""

import os
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any, Final

import psycopg
from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, create_engine, event, inspect
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import ConnectionPoolEntry

from stream import __version__
from stream.errors import CommandError, StoreBusy, StoreCorrupt, StoreError
from stream.secret import shown_url
from stream.store.refusals import refusal_in_words

_STEP_S: Final = 0.25
"""Whoever waits looks so often whether it should still."""
_CANCEL_S: Final = 2.0


class Patience:
    """Of one store: how long it waits for somebody else's write, at first ``busy_s`` [s]."""

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


BUSY_S: Final = 30
"""How long to wait for somebody else's write [s]."""
STATEMENT_S: Final = 600
"""How long a server may work at one statement [s]."""

_UPGRADING: Final = threading.Lock()
"""Alembic keeps what it works on in module globals: one upgrade at a time in a process."""


class Store:
    """An open database of one station or of many.

    Readers see the last commit; :meth:`writing` opens the one write transaction.
    """

    def __init__(self, engine: Engine, url: str, patience: Patience) -> None:
        self.engine = engine
        self._url = url
        self._patience = patience

    @property
    def shown(self) -> str:
        """The URL, without what it hides."""
        return shown_url(self._url)

    @property
    def is_sqlite(self) -> bool:
        """Whether the database is an SQLite file."""
        return self.engine.dialect.name == "sqlite"

    @property
    def folder(self) -> Path | None:
        """Where an SQLite file lies; None for a server."""
        database = self.engine.url.database
        return Path(database).parent if self.is_sqlite and database else None

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection for reading: all its queries see the same commit."""
        with self.plain_errors(), self.engine.connect() as connection:
            if not self.is_sqlite:
                connection.execution_options(isolation_level="REPEATABLE READ")
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """The write transaction: commits at the end, rolls back on any error."""
        with (
            self.plain_errors(),
            self.engine.connect().execution_options(lidstream_writer=True) as connection,
            connection.begin(),
        ):
            yield connection

    def bring_up_to_date(self) -> None:
        """Create the tables, or change them to what this version needs."""
        if self.is_sqlite:
            _make_private(self.engine.url.database)
        until = time.monotonic() + BUSY_S
        while True:
            try:
                with self.plain_errors():
                    _bring_up_to_date(self)
                return
            except StoreBusy:
                # SQLite does not queue two who make a file ready at the same moment.
                if time.monotonic() >= until:
                    raise
                time.sleep(0.05)

    def let_go(self) -> None:
        """Forget all connections; the next use makes new ones."""
        self._patience.new_pool()
        self.engine.dispose()

    def hurry(self) -> None:
        """Wait for nobody any more, since the process is to end: what waits for a lock is
        told at once that the database is in use, and so is whoever comes later.
        """
        self._patience.lose()

    def close(self) -> None:
        """Close all connections; those in use as soon as they are given back."""
        self._patience.new_pool()
        self.engine.dispose()

    @contextmanager
    def plain_errors(self) -> Iterator[None]:
        """Turn what the driver throws into one line that says what to do."""
        try:
            yield
        except DBAPIError as error:
            raise refusal_in_words(error.orig or error, self.shown, self._hidden) from error
        except psycopg.Error as error:  # from COPY, which goes past SQLAlchemy
            raise refusal_in_words(error, self.shown, self._hidden) from error

    @property
    def _hidden(self) -> list[str]:
        """What stands in the query of the URL: a driver repeats it where it is wrong."""
        return [str(v) for v in self.engine.url.query.values()]


def open_store(url: str) -> Store:
    """Open a database, creating its tables or bringing them up to date.

    Parameters
    ----------
    url : str
        ``sqlite:////path/to/file.db`` or ``postgresql+psycopg://…``.

    Raises
    ------
    CommandError
        The URL is not one.
    StoreError
        The database cannot be opened or written.
    StoreCorrupt
        It is damaged, of a newer schema, or holds somebody else's tables.
    """
    store = reach_store(url)
    try:
        store.bring_up_to_date()
    except BaseException:
        store.close()
        raise
    return store


def reach_store(url: str) -> Store:
    """A store that nothing has been asked of yet, see :func:`open_store`.

    Raises
    ------
    CommandError
        The URL is not one.
    """
    try:
        parsed = make_url(url)
        if parsed.get_backend_name() not in {"sqlite", "postgresql"}:
            raise CommandError(
                f"{shown_url(url)}: write an sqlite:/// or postgresql+psycopg:// URL"
            )
        engine = create_engine(
            parsed,
            connect_args=connect_arguments(parsed),
            # A server that was away has closed its connections: find out before use.
            pool_pre_ping=parsed.get_backend_name() != "sqlite",
        )
    except (ArgumentError, NoSuchModuleError, ValueError, ModuleNotFoundError):
        raise CommandError(
            f"{shown_url(url)!r} is no database URL; write sqlite:///FILE or postgresql+psycopg://HOST/NAME"
        ) from None
    patience = Patience(engine, BUSY_S)
    if engine.dialect.name == "sqlite":
        _prepare_sqlite(engine, patience)
    return Store(engine, url, patience)


def open_existing(url: str) -> Store:
    """Open a database that must be there already.

    Raises
    ------
    StoreError
        There is none, or it refuses, as for :func:`open_store`.
    """
    if not database_exists(url):
        raise StoreError(
            f"{shown_url(url)}: no such database; run lidstream replay first, or name another"
        )
    return open_store(url)


def database_exists(url: str) -> bool:
    """Whether there is a database to open; of a server, that is taken for granted."""
    try:
        parsed = make_url(url)
    except (ArgumentError, ValueError):
        return True  # who opens it is told what is wrong with the URL
    if parsed.get_backend_name() != "sqlite" or parsed.database is None:
        return True
    return Path(parsed.database).exists()


def connect_arguments(url: URL) -> dict[str, Any]:
    """How long we wait for others, as the driver takes it; what the URL itself says goes first."""
    if url.get_backend_name() == "sqlite":
        return {"timeout": BUSY_S}
    given = {
        "connect_timeout": 10,
        # A server that has vanished behind a dead line is noticed within a minute.
        "keepalives_idle": 20,
        "keepalives_interval": 10,
        "keepalives_count": 3,
        "tcp_user_timeout": 60_000,
        "options": f"-c statement_timeout={STATEMENT_S}s -c lock_timeout={BUSY_S}s"
        # Nor does the server keep the lock of a client that has vanished for hours.
        " -c tcp_keepalives_idle=20 -c tcp_keepalives_interval=10 -c tcp_keepalives_count=3"
        " -c tcp_user_timeout=60s",
    }
    return {key: value for key, value in given.items() if key not in url.query}


def _make_private(path: str | None) -> None:
    """A new database file is for its owner and their group; SQLite's own files follow it."""
    if path is None or path == ":memory:":
        return
    with suppress(OSError):  # what keeps it from being made is said when it is opened
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o660))


def _prepare_sqlite(engine: Engine, patience: Patience) -> None:
    """WAL with full synchronisation, enforced keys, and write transactions that queue."""

    @event.listens_for(engine, "connect")
    def _pragmas(connection: sqlite3.Connection, _: ConnectionPoolEntry) -> None:
        connection.isolation_level = None
        cursor = connection.cursor()
        cursor.execute("PRAGMA journal_mode = WAL")
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.close()

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # A read followed by a write in a deferred transaction fails at once when
        # somebody else writes, whatever the timeout; IMMEDIATE waits its turn.
        if connection.get_execution_options().get("lidstream_writer", False):
            patience.begin_writing(connection)
        else:
            connection.exec_driver_sql("BEGIN")


def migrations() -> Config:
    """Alembic's configuration: the scripts inside the package."""
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    return config


@cache
def _revisions() -> tuple[str, ...]:
    """Every schema this version knows, the newest first."""
    scripts = ScriptDirectory.from_config(migrations())
    return tuple(script.revision for script in scripts.walk_revisions())


def _bring_up_to_date(store: Store) -> None:
    engine = store.engine
    with engine.connect() as connection:
        found = MigrationContext.configure(connection).get_current_revision()
        if found == _revisions()[0]:
            return
        tables = set(inspect(connection).get_table_names())
    if found is not None and found not in _revisions():
        raise StoreCorrupt(
            f"{store.shown}: its schema {found!r} is newer than lidstream {__version__} knows;"
            " upgrade lidstream, or name another database"
        )
    if found is None and tables & {"closures", "fluxes", "journal_blocks", "stations"}:
        raise StoreCorrupt(
            f"{store.shown}: holds tables that are not lidstream's; name another database"
        )
    try:
        with (
            engine.connect().execution_options(lidstream_writer=True) as connection,
            connection.begin(),
        ):
            if engine.dialect.name == "postgresql":
                # Several stations may come to a new database at the same moment; whoever
                # is second finds all done.
                # A large table takes its time, and so may whoever is first.
                connection.exec_driver_sql("SET LOCAL statement_timeout = 0")
                connection.exec_driver_sql("SET LOCAL lock_timeout = 0")
                connection.exec_driver_sql("SELECT pg_advisory_xact_lock(7103245911)")
            config = migrations()
            config.attributes["connection"] = connection
            with _UPGRADING:
                command.upgrade(config, "head")
    except SQLAlchemyError as error:
        if isinstance(error, DBAPIError):
            raise
        raise StoreError(
            f"{store.shown}: its schema cannot be brought up to date: {error}"
        ) from error
