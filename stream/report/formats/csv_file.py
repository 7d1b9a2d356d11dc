"""CSV after RFC 4180 in UTF-8, and beside it a descriptor after Frictionless Data's Table Schema.

Numbers have the shortest digits that give the same number back.
"""

import json
from collections import deque
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from stream import __version__
from stream.column import Column
from stream.files import part_of, write_whole
from stream.report.table import Table

_SPECIAL: Final = '[",\r\n]'
"""What a cell has to be in quotes for."""
_THREADS: Final = 2
"""That make text of cells, while this one reads the next."""


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
    with part_of(path) as part, part.open("wb") as out, ThreadPoolExecutor(_THREADS) as threads:
        out.write((",".join(table.names) + "\n").encode())
        waiting: deque[Future[memoryview]] = deque()
        for batch in table.batches:
            waiting.append(threads.submit(_lines, batch))
            count += batch.num_rows
            if len(waiting) > _THREADS:
                out.write(waiting.popleft().result())
        for lines in waiting:
            out.write(lines.result())
    return count


def _lines(batch: pa.RecordBatch) -> memoryview:
    """The rows of a batch, as they stand in the file."""
    if not batch.num_rows:
        return memoryview(b"")
    cells = [_texts(column) for column in batch.columns]
    last = cells[-1].fill_null("")
    cells[-1] = pc.binary_join_element_wise(last, pa.scalar("\n"), pa.scalar(""))
    lines = pc.binary_join_element_wise(
        *cells, pa.scalar(","), null_handling="replace", null_replacement=""
    )
    # The text of an array lies in one piece: the lines, one after the other.
    _, ends, text = lines.buffers()
    return memoryview(text)[: np.frombuffer(ends, np.int32)[len(lines)]]


def _texts(cells: pa.Array) -> pa.Array:
    """Each cell as it stands in the file; an unknown one stays unknown."""
    if pa.types.is_timestamp(cells.type):
        return _moments(cells)
    if not pa.types.is_string(cells.type):
        return cells.cast(pa.string())
    special = pc.match_substring_regex(cells, _SPECIAL)
    if not pc.any(special).as_py():
        return cells
    doubled = pc.replace_substring(cells, '"', '""')
    quoted = pc.binary_join_element_wise(pa.scalar('"'), doubled, pa.scalar('"'), pa.scalar(""))
    return pc.if_else(special, quoted, cells)


def _moments(cells: pa.Array) -> pa.Array:
    """As :func:`stream.times.rfc3339` writes them."""
    micros = cells.cast(pa.int64()).fill_null(0).to_numpy()
    times, of_cell = np.unique(micros, return_inverse=True)
    texts = np.datetime_as_string(times.astype("M8[us]"), unit="us")
    shown = pa.array(np.strings.rstrip(np.strings.rstrip(texts, "0"), "."))
    ending = pc.binary_join_element_wise(shown, pa.scalar("Z"), pa.scalar(""))
    return pc.if_else(
        cells.is_valid(), ending.take(pa.array(of_cell)), pa.scalar(None, pa.string())
    )


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
