"""Opening a database to read it beside a service: nothing is written, nothing is held."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from alembic.script import ScriptDirectory
from sqlalchemy import Connection, create_engine, event, inspect, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.pool import NullPool

from stream import __version__
from stream.errors import StoreBusy, StoreCorrupt, StoreError
from stream.secret import shown_url
from stream.store.connect import (
    BUSY_S,
    Patience,
    Store,
    connect_arguments,
    database_exists,
    migrations,
    reach_store,
)

_READ_ONLY: Final = " -c default_transaction_read_only=on"


def open_reading(url: str) -> Store:
    """Open a database that is there, for reading alone.

    Each use makes a connection of its own and closes it, so that between two uses no
    connection, no transaction and no lock is held. SQLite's file is opened read only; a
    server's transactions are read only.

    Parameters
    ----------
    url : str
        As of :func:`stream.store.open_store`.

    Raises
    ------
    CommandError
        The URL is not one.
    StoreError
        There is no database, or it refuses.
    StoreCorrupt
        It is of another version: nothing is brought up to date here.
    """
    reach_store(url).close()  # says what is wrong with the URL
    shown = shown_url(url)
    if not database_exists(url):
        raise StoreError(f"{shown}: no such database; run lidstream replay first, or name another")
    parsed = make_url(url)
    store = (
        _sqlite(parsed, shown) if parsed.get_backend_name() == "sqlite" else _server(parsed, shown)
    )
    _check_version(store)
    return store


class _ReadConnection(sqlite3.Connection):
    """Knows whether the file was read as if nobody could write it, and as what it stood there."""

    path: Path
    stood: tuple[int, int] | None = None


class _FileStore(Store):
    """An SQLite file that is read."""

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection for reading: all its queries see the same commit.

        Raises
        ------
        StoreBusy
            The file was changed meanwhile, by somebody who was not there at the beginning.
        """
        with super().reading() as connection:
            driver = connection.connection.driver_connection
            yield connection
            assert isinstance(driver, _ReadConnection)
            if driver.stood is not None and driver.stood != _stands(driver.path):
                raise StoreBusy(f"{self.shown}: the database was changed meanwhile; ask again")


def _sqlite(url: URL, shown: str) -> Store:
    path = Path(str(url.database)).resolve()

    def connect() -> sqlite3.Connection:
        return _connect(path)

    engine = create_engine(url, creator=connect, poolclass=NullPool)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN")

    return _FileStore(engine, shown, Patience(engine, BUSY_S))


def _connect(path: Path) -> sqlite3.Connection:
    """A connection that cannot write, nor leave a file behind.

    Where somebody has the database open, its log lies beside it, and it is shared with them.
    Where there is no log, SQLite would make one, which could then be nobody's but ours and
    keep a service out. The whole database is in its file then, and stays as it is until a
    log has been made and brought in, which shows.
    """
    alone = not Path(f"{path}-wal").exists()
    found = sqlite3.connect(
        f"file:{quote(str(path))}?mode=ro{'&immutable=1' if alone else ''}",
        uri=True,
        timeout=BUSY_S,
        isolation_level=None,
        check_same_thread=False,
        factory=_ReadConnection,
    )
    found.path = path
    found.stood = _stands(path) if alone else None
    found.execute("PRAGMA query_only = ON")
    return found


def _stands(path: Path) -> tuple[int, int]:
    """Size of a file and when it was changed [ns]."""
    found = path.stat()
    return found.st_size, found.st_mtime_ns


def _server(url: URL, shown: str) -> Store:
    given: dict[str, Any] = connect_arguments(url)
    given["options"] = str(url.query.get("options", given.get("options", ""))) + _READ_ONLY
    engine = create_engine(url, connect_args=given, poolclass=NullPool)
    return Store(engine, shown, Patience(engine, BUSY_S))


def _check_version(store: Store) -> None:
    """Whether the tables are those of this version.

    Raises
    ------
    StoreCorrupt
        They are not.
    """
    with store.reading() as connection:
        there = inspect(connection).has_table("alembic_version")
        found = (
            connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
            if there
            else None
        )
    if found == ScriptDirectory.from_config(migrations()).get_current_head():
        return
    if found is None:
        raise StoreCorrupt(f"{store.shown}: holds no tables of lidstream; name another database")
    raise StoreCorrupt(
        f"{store.shown}: its tables are those of another version than lidstream {__version__};"
        " let the service or any command of this version open it once, or upgrade lidstream"
    )
