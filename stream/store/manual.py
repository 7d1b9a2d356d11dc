"""Tables that people brought: vials and runs, whole and versioned."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, func, select, update

from stream.store.connect import Store
from stream.store.results.bulk import insert_rows
from stream.store.results.changes import Row
from stream.store.schema import hand_tables


@dataclass(frozen=True, slots=True)
class KeptTable:
    """One table as it stands now."""

    kind: str
    name: str
    digest: str
    content: str


class ManualTables:
    """Reads the tables of one station."""

    def __init__(self, store: Store, station: str) -> None:
        self._store = store
        self._station = station

    def current(self) -> list[KeptTable]:
        """Every table as it stands now, in order of kind and name."""
        t = hand_tables.c
        query = (
            select(t.kind, t.name, t.digest, t.content)
            .where(t.station == self._station, t.current == 1)
            .order_by(t.kind, t.name)
        )
        with self._store.reading() as connection:
            return [KeptTable(*row) for row in connection.execute(query)]


def put_tables(connection: Connection, station: str, rows: Sequence[Row]) -> None:
    """Keep tables as new revisions, in the transaction of ``connection``."""
    t = hand_tables.c
    for row in rows:
        mine = (t.station == station, t.kind == row["kind"], t.name == row["name"])
        last = connection.execute(select(func.max(t.revision)).where(*mine)).scalar() or 0
        connection.execute(update(hand_tables).where(*mine).values(current=0))
        fresh = {**row, "revision": last + 1, "current": 1}
        insert_rows(connection, hand_tables, [fresh], station)
