"""A descriptor beside each CSV, after the Table Schema of Frictionless Data."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from stream import __version__
from stream.column import Column
from stream.files import write_whole


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
