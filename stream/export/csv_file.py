"""CSV: RFC 4180, UTF-8, shortest digits that give the same number back."""

import csv
import os
from pathlib import Path
from typing import Any

from stream.errors import LidstreamError
from stream.export.tables import Table


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
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    count = 0
    try:
        try:
            with part.open("w", newline="", encoding="utf-8") as out:
                writer = csv.writer(out, lineterminator="\n")
                writer.writerow(table.columns)
                for row in table.rows:
                    writer.writerow([_cell(value) for value in row])
                    count += 1
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise LidstreamError(
            f"{path}: cannot be written: {error.strerror}; choose another --out"
        ) from None
    return count


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    return repr(value) if isinstance(value, float) else value
