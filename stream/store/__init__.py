"""The only place that knows SQL: tables, migrations, one writer, readers."""

from stream.store.changes import Block, Changes, Result, Stretch
from stream.store.connect import Store, database_exists, open_existing, open_store, reach_store
from stream.store.lock import WriterLock

__all__ = [
    "Block",
    "Changes",
    "Result",
    "Store",
    "Stretch",
    "WriterLock",
    "database_exists",
    "open_existing",
    "open_store",
    "reach_store",
]
