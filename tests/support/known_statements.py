"""Engines of one process share what SQLAlchemy has compiled: each would compile all statements
for itself, and a test opens a database or several.

What a dialect holds once it is initialised is the same for all databases of a kind here: one
version of SQLite, one server.
"""

from functools import cache
from typing import Any

import servers
from sqlalchemy import URL, Engine, create_engine, make_url
from sqlalchemy.exc import SQLAlchemyError


@cache
def _first(url: str) -> Engine | None:
    """An engine that has been connected once; None where it cannot be."""
    first = create_engine(url, connect_args={} if url == "sqlite://" else {"connect_timeout": 3})
    try:
        first.connect().close()
    except SQLAlchemyError:
        return None
    finally:
        first.dispose()
    return first


def engine(url: URL, **options: Any) -> Engine:
    """As ``sqlalchemy.create_engine``; statements are known from the first engine of its kind."""
    made = create_engine(url, **options)
    server = make_url(servers.POSTGRES)
    if made.dialect.name == "sqlite":
        first = _first("sqlite://")
    elif (url.host, url.port, url.drivername) == (server.host, server.port, server.drivername):
        first = _first(servers.POSTGRES)
    else:
        first = None
    if first is not None:
        made.dialect = made.pool._dialect = first.dialect
        made._compiled_cache = first._compiled_cache
    return made
