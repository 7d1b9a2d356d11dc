"""Parquet: typed columns, written a stretch of rows at a time."""

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from stream.files import part_of
from stream.report.tables import Table

_TYPES: Final = {
    "string": pa.string(),
    "integer": pa.int64(),
    "number": pa.float64(),
    "datetime": pa.timestamp("us", tz="UTC"),
    "date": pa.date32(),
}


def write_parquet(table: Table, path: Path) -> int:
    """Write a table; the file appears whole, or not at all.

    Returns
    -------
    int
        Number of rows.

    Raises
    ------
    LidstreamError
        The path cannot be written.
    """
    fields = [
        pa.field(d.name, _TYPES[d.kind], metadata={"unit": d.unit, "meaning": d.sentence})
        for d in table.columns
    ]
    schema = pa.schema(fields)
    count = 0
    with part_of(path) as part, pq.ParquetWriter(part, schema, compression="zstd") as out:
        for rows in table.stretches():
            cells = zip(*rows, strict=True)
            columns = [
                pa.array(_cells(c, d.kind), _TYPES[d.kind])
                for c, d in zip(cells, table.columns, strict=True)
            ]
            out.write_batch(pa.record_batch(columns, schema=schema))
            count += len(rows)
    return count


def _cells(cells: Sequence[Any], kind: str) -> Sequence[Any]:
    """A column as pyarrow takes it; moments are microseconds already."""
    if kind == "string":
        return cells
    known = [None if c == "" else c for c in cells]
    if kind == "date":
        return [None if c is None else date.fromisoformat(c) for c in known]
    return [None if c is None else float(c) for c in known] if kind == "number" else known
