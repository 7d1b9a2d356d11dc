"""Small things that a station's service must remember over a restart."""

from typing import Final

from sqlalchemy import select

from stream.store.connect import Store
from stream.store.results.bulk import insert_rows
from stream.store.schema import marks

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
