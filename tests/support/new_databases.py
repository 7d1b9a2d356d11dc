"""New databases get their tables at once, copied from one that the migrations have made: a
test makes one or several of them, and the migrations take most of the time of a short one.
"""

import os
import sqlite3
import tempfile
import uuid
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from functools import cache
from pathlib import Path

from servers import POSTGRES
from sqlalchemy import Engine, create_engine, text

from stream.store import Store, connect, open_store, reach_store

migrate = connect._bring_up_to_date


@cache
def tables() -> list[str]:
    """The statements that make the tables in SQLite, as the migrations have made them."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "template.db"
        with closing(reach_store(f"sqlite:///{path}")) as store:
            migrate(store)
        with closing(sqlite3.connect(path)) as made:
            (_, *statements, _) = made.iterdump()  # without its own begin and commit
    return statements


def bring_up_to_date(store: Store) -> None:
    """As the migrations do; an empty file of SQLite gets its tables beforehand."""
    path = store.engine.url.database
    if store.is_sqlite and path and path != ":memory:":
        # Somebody else may be making it: then the migrations wait as they always do.
        with suppress(OSError, sqlite3.OperationalError):
            if os.path.getsize(path) == 0:
                _fill(path)
    migrate(store)


def _fill(path: str) -> None:
    with closing(sqlite3.connect(path, timeout=0, isolation_level=None)) as new:
        new.execute("PRAGMA synchronous = OFF")
        new.execute("BEGIN EXCLUSIVE")
        if new.execute("SELECT count(*) FROM sqlite_schema").fetchone() == (0,):
            # Not executescript, which would end the transaction before it begins.
            for statement in tables():
                new.execute(statement)
        new.execute("COMMIT")


@contextmanager
def server() -> Iterator[Engine]:
    """The server on which databases are made and dropped."""
    engine = create_engine(
        POSTGRES, isolation_level="AUTOCOMMIT", connect_args={"connect_timeout": 3}
    )
    try:
        yield engine
    finally:
        engine.dispose()


@contextmanager
def template() -> Iterator[str]:
    """Name of a database on the server that has the tables, and that nobody is connected to."""
    name = f"lidstream_tables_{uuid.uuid4().hex[:12]}"
    with server() as engine:
        with engine.connect() as connection:
            connection.execute(text(f'CREATE DATABASE "{name}"'))
        try:
            open_store(engine.url.set(database=name).render_as_string(hide_password=False)).close()
            yield name
        finally:
            with engine.connect() as connection:
                connection.execute(text(f'DROP DATABASE "{name}" WITH (FORCE)'))


@contextmanager
def database(like: str) -> Iterator[str]:
    """URL of a new database on the server, a copy of another."""
    name = f"lidstream_{uuid.uuid4().hex[:12]}"
    with server() as engine:
        with engine.connect() as connection:
            connection.execute(text(f'CREATE DATABASE "{name}" TEMPLATE "{like}"'))
        try:
            yield engine.url.set(database=name).render_as_string(hide_password=False)
        finally:
            with engine.connect() as connection:
                connection.execute(text(f'DROP DATABASE "{name}" WITH (FORCE)'))
