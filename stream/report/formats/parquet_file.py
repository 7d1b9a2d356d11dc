"""Parquet: typed columns, written a stretch of rows at a time."""

from pathlib import Path

import pyarrow.parquet as pq

from stream.files import part_of
from stream.report.formats.arrow_table import batch_of, schema_of
from stream.report.tables import Table


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
    schema = schema_of(table.columns)
    count = 0
    with part_of(path) as part, pq.ParquetWriter(part, schema, compression="zstd") as out:
        for rows in table.stretches():
            out.write_batch(batch_of(rows, table.columns, schema))
            count += len(rows)
    return count
