"""Parquet: typed columns, written a stretch of rows at a time."""

from datetime import date, datetime
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
            columns = [
                pa.array([_cell(row[j], d.kind) for row in rows], _TYPES[d.kind])
                for j, d in enumerate(table.columns)
            ]
            out.write_batch(pa.record_batch(columns, schema=schema))
            count += len(rows)
    return count


def _cell(value: Any, kind: str) -> Any:
    if value is None or value == "":
        return None if kind != "string" else value
    if kind == "datetime":
        return datetime.fromisoformat(value)
    if kind == "date":
        return date.fromisoformat(value)
    return float(value) if kind == "number" else value
