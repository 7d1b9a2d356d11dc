"""The only place that knows SQL: tables, migrations, one writer, readers."""

from stream.store.connect import Store, database_exists, open_existing, open_store, reach_store
from stream.store.lock import WriterLock
from stream.store.reading import open_reading
from stream.store.results.changes import Block, Changes, Result, Scope

__all__ = [
    "Block",
    "Changes",
    "Result",
    "Scope",
    "Store",
    "WriterLock",
    "database_exists",
    "open_existing",
    "open_reading",
    "open_store",
    "reach_store",
]
