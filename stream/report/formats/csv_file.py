"""CSV: RFC 4180, UTF-8, shortest digits that give the same number back."""

import csv
from pathlib import Path
from typing import Any

from stream.files import part_of
from stream.report.tables import Table


def write_csv(table: Table, path: Path) -> int:
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
    with part_of(path) as part, part.open("w", newline="", encoding="utf-8") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(table.names)
        for row in table.rows:
            writer.writerow([_cell(value) for value in row])
            count += 1
    return count


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    return repr(value) if isinstance(value, float) else value
