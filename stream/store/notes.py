"""The field log as it is kept: rows that are only ever added."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, func, select, text, update

from stream.store.connect import Store
from stream.store.results.bulk import insert_rows
from stream.store.results.changes import Row
from stream.store.schema import notes


class Notes:
    """The field log of one station.

    Any process may add to it while the service runs: a row of its own is all that it
    writes. The writer makes of it what follows for results.
    """

    def __init__(self, store: Store, station: str) -> None:
        self._store = store
        self._station = station

    def all(self) -> list[dict[str, Any]]:
        """Every note, in order of number."""
        query = select(notes).where(notes.c.station == self._station).order_by(notes.c.number)
        with self._store.reading() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    def waiting(self) -> list[int]:
        """Numbers of the notes that the writer has not taken up."""
        query = select(notes.c.number).where(notes.c.station == self._station, notes.c.taken == 0)
        with self._store.reading() as connection:
            return list(connection.execute(query.order_by(notes.c.number)).scalars())

    def add(self, row: Row) -> int:
        """Keep a note; it is durable when this returns.

        Parameters
        ----------
        row : mapping
            Its columns, ``key`` included, without station, number and taken.

        Returns
        -------
        int
            Its number; of a note whose key is there already, the number it has.
        """
        with self._store.writing() as connection:
            self._alone(connection)
            known = connection.execute(
                select(notes.c.number).where(
                    notes.c.station == self._station, notes.c.key == row["key"]
                )
            ).scalar()
            if known is not None:
                return int(known)
            last = connection.execute(
                select(func.max(notes.c.number)).where(notes.c.station == self._station)
            ).scalar()
            number = int(last or 0) + 1
            fresh = {**row, "number": number, "taken": 0}
            insert_rows(connection, notes, [fresh], self._station)
        return number

    def _alone(self, connection: Connection) -> None:
        """One adds at a time, so that numbers have no holes; SQLite sees to it by itself."""
        if not self._store.is_sqlite:
            key = f"lidstream notes {self._station}"
            connection.execute(
                text("SELECT pg_advisory_xact_lock(hashtextextended(:key, 0))"), {"key": key}
            )


def mark_taken(connection: Connection, station: str, numbers: Sequence[int]) -> None:
    """Mark notes as taken up, in the transaction of ``connection``."""
    connection.execute(
        update(notes).where(notes.c.station == station, notes.c.number.in_(numbers)).values(taken=1)
    )
