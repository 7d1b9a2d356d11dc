"""CSV after RFC 4180 in UTF-8, and beside it a descriptor after Frictionless Data's Table Schema.

Numbers have the shortest digits that give the same number back.
"""

import csv
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from stream import __version__
from stream.column import Column
from stream.files import part_of, write_whole
from stream.report.table import Table
from stream.times import rfc3339_column


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
        for batch in table.batches:
            # The writer itself gives numbers their shortest digits, and None no text at all.
            shown = [
                rfc3339_column(cells.cast("int64").to_pylist()) if c.kind == "datetime"
                else cells.to_pylist()
                for cells, c in zip(batch.columns, table.columns, strict=True)
            ]  # fmt: skip
            writer.writerows(zip(*shown, strict=True))
            count += batch.num_rows
    return count


def write_descriptor(columns: Sequence[Column], path: Path, rows: int, station: str) -> Path:
    """Write ``NAME.datapackage.json`` beside ``NAME.csv``.

    Parameters
    ----------
    columns : sequence of Column
        Of the table.
    path : Path
        The table.
    rows : int
        How many it has.
    station : str
        Identifier of the station.

    Returns
    -------
    Path
        Of the descriptor.

    Raises
    ------
    LidstreamError
        The path cannot be written.
    """
    fields = []
    for d in columns:
        entry: dict[str, Any] = {"name": d.name, "type": d.kind, "description": d.sentence}
        if d.unit:
            entry["unit"] = d.unit
        if d.kind == "datetime":
            entry["format"] = "any"
        fields.append(entry)
    stem = path.stem.lower()
    package = {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": f"{station}-{stem}".lower(),
        "created_by": f"lidstream {__version__}",
        "resources": [
            {
                "name": stem,
                "type": "table",
                "path": path.name,
                "scheme": "file",
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "dialect": {"delimiter": ",", "lineTerminator": "\n"},
                "schema": {"fields": fields, "missingValues": [""]},
                "rowcount": rows,
            }
        ],
    }
    beside = path.with_name(f"{path.stem}.datapackage.json")
    write_whole(beside, json.dumps(package, indent=2, ensure_ascii=False) + "\n")
    return beside
