"""A table that leaves for people: declared columns, and rows as Arrow has them."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice
from typing import Any, Final

import pyarrow as pa

from stream import columns
from stream.column import Column
from stream.store.results.readers import Only, Period

TYPES: Final = {
    "string": pa.string(),
    "integer": pa.int64(),
    "number": pa.float64(),
    "datetime": pa.timestamp("us", tz="UTC"),
    "date": pa.date32(),
}
"""Kind of a column → its type."""

_STRETCH: Final = 20_000
"""Rows that are held as Python objects at once."""


@dataclass(frozen=True, slots=True)
class Table:
    """Columns, and their rows, so many at a time that memory stays flat."""

    columns: tuple[Column, ...]
    batches: Iterator[pa.RecordBatch]

    @property
    def names(self) -> tuple[str, ...]:
        """Of the columns."""
        return tuple(c.name for c in self.columns)

    @property
    def schema(self) -> pa.Schema:
        """Names and types, with unit and meaning as metadata."""
        return schema_of(self.columns)

    def whole(self) -> pa.Table:
        """All rows; they are read to the end."""
        return pa.Table.from_batches(self.batches, self.schema)

    def changed(
        self, found: tuple[Column, ...], change: Callable[[pa.RecordBatch], Sequence[pa.Array]]
    ) -> "Table":
        """The table with other columns, made of the old ones a batch at a time."""
        schema = schema_of(found)
        made = (pa.record_batch(list(change(batch)), schema=schema) for batch in self.batches)
        return Table(found, made)


@dataclass(frozen=True, slots=True)
class Selection:
    """What is asked for."""

    period: Period
    gases: tuple[str, ...] = ()
    chambers: tuple[str, ...] = ()
    unit: str | None = None
    qualities: tuple[int, ...] = ()

    @property
    def only(self) -> Only:
        """What the database is asked for."""
        return Only(self.chambers, self.gases, self.qualities)


def schema_of(found: Sequence[Column]) -> pa.Schema:
    """Names and types, with unit and meaning as metadata."""
    return pa.schema(
        pa.field(c.name, TYPES[c.kind], metadata={"unit": c.unit, "meaning": c.sentence})
        for c in found
    )


def table_of(names: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> Table:
    """A table of declared columns from rows as the database has them."""
    found = columns.columns(names)
    return from_rows(found, (tuple(r.get(c.key) for c in found) for r in rows))


def from_rows(found: tuple[Column, ...], rows: Iterator[Sequence[Any]]) -> Table:
    """A table from cells: text, numbers, moments [µs since 1970], or None for unknown."""
    schema = schema_of(found)

    def batches() -> Iterator[pa.RecordBatch]:
        while stretch := list(islice(rows, _STRETCH)):
            cells = zip(zip(*stretch, strict=True), found, strict=True)
            yield pa.record_batch([_array(c, column) for c, column in cells], schema=schema)

    return Table(found, batches())


def _array(cells: Sequence[Any], column: Column) -> pa.Array:
    kind = column.kind
    if kind != "string":
        cells = [None if c == "" else c for c in cells]
    if kind == "date":
        cells = [None if c is None else date.fromisoformat(c) for c in cells]
    if kind == "number":
        cells = [None if c is None else float(c) for c in cells]
    return pa.array(cells, TYPES[kind])
