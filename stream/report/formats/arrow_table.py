"""Tables as Arrow has them: typed columns that bear their unit and meaning."""

from collections.abc import Sequence
from datetime import date
from typing import Any, Final, NamedTuple

import numpy as np
import pyarrow as pa

from stream.column import Column
from stream.report.tables import Selection, Table, record_days, records
from stream.station import Station
from stream.store.journal.journal import Journal

TYPES: Final = {
    "string": pa.string(),
    "integer": pa.int64(),
    "number": pa.float64(),
    "datetime": pa.timestamp("us", tz="UTC"),
    "date": pa.date32(),
}
"""Kind of a column → its type."""


def schema_of(columns: Sequence[Column]) -> pa.Schema:
    """Names and types, with unit and meaning as metadata."""
    return pa.schema(
        pa.field(d.name, TYPES[d.kind], metadata={"unit": d.unit, "meaning": d.sentence})
        for d in columns
    )


def batch_of(
    rows: Sequence[tuple[Any, ...]], columns: Sequence[Column], schema: pa.Schema
) -> pa.RecordBatch:
    """Some rows of a table as columns."""
    cells = zip(*rows, strict=True)
    arrays = [
        pa.array(_cells(c, d.kind), TYPES[d.kind]) for c, d in zip(cells, columns, strict=True)
    ]
    return pa.record_batch(arrays, schema=schema)


class ArrowTable(NamedTuple):
    """A whole table as Arrow, with what its columns are."""

    columns: tuple[Column, ...]
    table: pa.Table


def arrow_of(table: Table) -> ArrowTable:
    """A whole table; its rows are read to the end."""
    schema = schema_of(table.columns)
    batches = [batch_of(rows, table.columns, schema) for rows in table.stretches()]
    return ArrowTable(table.columns, pa.Table.from_batches(batches, schema))


def arrow_records(
    station: Station, journal: Journal, selection: Selection, channels: Sequence[str] = ()
) -> ArrowTable:
    """As :func:`stream.report.tables.records`, never as rows."""
    found = records(station, journal, selection, channels).columns
    names = [c.name for c in found[2:]]
    schema = schema_of(found)
    batches = []
    for times, values in record_days(names, journal, selection.period):
        where = pa.array([station.id]).take(pa.array(np.zeros(len(times), np.int64)))
        moments = pa.array(times).cast(TYPES["datetime"])
        cells = [pa.array(column, from_pandas=True) for column in values]
        batches.append(pa.record_batch([where, moments, *cells], schema=schema))
    return ArrowTable(found, pa.Table.from_batches(batches, schema))


def _cells(cells: Sequence[Any], kind: str) -> Sequence[Any]:
    """A column as pyarrow takes it; moments are microseconds already."""
    if kind == "string":
        return cells
    known = [None if c == "" else c for c in cells]
    if kind == "date":
        return [None if c is None else date.fromisoformat(c) for c in known]
    return [None if c is None else float(c) for c in known] if kind == "number" else known
