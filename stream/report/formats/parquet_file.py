"""Parquet: typed columns, written a batch of rows at a time."""

from pathlib import Path

import pyarrow.parquet as pq

from stream.files import part_of
from stream.report.table import Table


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
    count = 0
    with part_of(path) as part, pq.ParquetWriter(part, table.schema, compression="zstd") as out:
        for batch in table.batches:
            out.write_batch(batch)
            count += batch.num_rows
    return count
