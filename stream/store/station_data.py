"""What is stored of one station beside its records and results, and readers of all of it.

Marks that a service must remember over a restart; the field log, whose rows are only ever added;
tables that people brought, vials and runs, whole and versioned; days that were summed up, and what
was said of them.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from sqlalchemy import Connection, func, select, text, update

from stream.station import StationFile, amended
from stream.store.connect import Store
from stream.store.journal.journal import Journal
from stream.store.results.bulk import insert_rows
from stream.store.results.changes import Row
from stream.store.results.flux_columns import FluxColumns
from stream.store.results.readers import Reader
from stream.store.schema import hand_tables, marks, notes, summaries

SERVICE_LOOK: Final = "last look"
"""When a service last looked at this computer's clock; none where no service ever ran."""


class Marks:
    """Values of one station by name."""

    def __init__(self, store: Store, station: str) -> None:
        self._store = store
        self._station = station

    def get(self, name: str) -> str | None:
        """The value of a name; None where there is none."""
        query = select(marks.c.value).where(marks.c.station == self._station, marks.c.name == name)
        with self._store.reading() as connection:
            found = connection.execute(query).scalar()
        return None if found is None else str(found)

    def put(self, name: str, value: str) -> None:
        """Remember a value in place of the one before."""
        with self._store.writing() as connection:
            insert_rows(
                connection, marks, [{"name": name, "value": value}], self._station, "replace"
            )


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

    def amend(self, file: StationFile) -> StationFile:
        """The station file with what the field log adds to it."""
        noted = self.all()
        return amended(file, noted) if noted else file

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


class Summaries:
    """The summaries of one station."""

    def __init__(self, store: Store, station: str) -> None:
        self._store = store
        self._station = station

    def last_day(self) -> date | None:
        """The last day that was summed up."""
        query = select(func.max(summaries.c.day)).where(summaries.c.station == self._station)
        with self._store.reading() as connection:
            found = connection.execute(query).scalar()
        return None if found is None else date.fromisoformat(found)

    def between(self, first: date, last: date) -> list[dict[str, Any]]:
        """Rows of the days from one to another, both included; ``content`` as read from JSON."""
        s = summaries.c
        query = (
            select(s.day, s.made_us, s.digest, s.content)
            .where(s.station == self._station, s.day >= str(first), s.day <= str(last))
            .order_by(s.day)
        )
        with self._store.reading() as connection:
            rows = [dict(r) for r in connection.execute(query).mappings()]
        return [{**r, "content": json.loads(r["content"])} for r in rows]

    def get(self, day: date) -> dict[str, Any] | None:
        """The row of one day."""
        return next(iter(self.between(day, day)), None)

    def days(self) -> list[str]:
        """Every day that was summed up, in order."""
        query = select(summaries.c.day).where(summaries.c.station == self._station)
        with self._store.reading() as connection:
            return list(connection.execute(query.order_by(summaries.c.day)).scalars())

    def put(self, day: date, content: Mapping[str, Any], made_us: int) -> None:
        """Keep a summary; a later one of the same day takes its place."""
        with self._store.writing() as connection:
            put_summary(connection, self._station, day, content, made_us)


def put_summary(
    connection: Connection, station: str, day: date, content: Mapping[str, Any], made_us: int
) -> None:
    """Keep a summary in the transaction of ``connection``."""
    row = {
        "day": str(day),
        "made_us": made_us,
        "digest": digest_of(content),
        "content": json.dumps(content, ensure_ascii=False),
    }
    insert_rows(connection, summaries, [row], station, "replace")


def digest_of(content: Mapping[str, Any]) -> str:
    """Digest of what a summary says of its day; what it says of the computer at the time of
    writing is left out, so that the same day summed up twice has the same.
    """
    lasting = {k: v for k, v in content.items() if k != "machine"}
    text = json.dumps(lasting, sort_keys=True, ensure_ascii=False)
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()


@dataclass(frozen=True, slots=True)
class StationData:
    """The station file with what the field log adds to it, and readers of its store."""

    file: StationFile
    store: Store
    reader: Reader
    journal: Journal
    kept: Summaries
    flux_columns: FluxColumns

    @classmethod
    def over(cls, file: StationFile, store: Store) -> "StationData":
        """Over an open store."""
        name = file.station.id
        return cls(
            Notes(store, name).amend(file),
            store,
            Reader(store, name),
            Journal(store, name, file.archive),
            Summaries(store, name),
            FluxColumns(store, name, file.archive),
        )
