"""Why a file is no delimited text that can be read, and what to do."""

from stream.errors import SourceError
from stream.ingest.delimited.cells import (
    comment_mark,
    split_line,
)
from stream.ingest.delimited.header import (
    Wanted,
    date_parts,
    find_channels,
    find_time,
    listed,
)
from stream.ingest.delimited.layout import DELIMITERS, MOST_LINES, is_value, text_lines
from stream.station import FolderSource


def no_layout(name: str, head: bytes, source: FolderSource, wanted: Wanted) -> SourceError:
    """Why no layout was found, and what to do."""
    lines = [line for line in text_lines(head) if line.strip()]
    lines = [line for line in lines if not comment_mark(line.lstrip())] or lines
    if not lines:
        return SourceError(f"{name}: the file is empty; give a file with a header and records")
    if 127 < ord(lines[0][0]) < 160 or any(_is_binary(line) for line in lines[:5]):
        return SourceError(f"{name}: neither delimited text nor SenML; give a logger's text file")
    parts = next((p for line in lines[:MOST_LINES] if (p := date_parts(line))), ())
    if parts and source.time_column is None:
        return SourceError(
            f"{name}: its date stands in several columns ({', '.join(parts)}), which are not"
            " joined; give the file with date and time in one column, as 2026-09-09 21:59:40"
        )
    delimiters = (source.delimiter,) if source.delimiter else DELIMITERS[:-1]
    split = [(split_line(line, d), d) for line in lines[:MOST_LINES] for d in delimiters]
    timed = [cells for cells, _ in split if find_time(cells, source.time_column) is not None]
    timed = [cells for cells in timed if len(cells) > 1]
    if timed:
        return SourceError(
            f"{name}: none of its columns is a channel ({listed(timed[0])}); name the columns as"
            " in [channels] of the station file, or set column of a channel"
        )
    named = [cells for cells, _ in split if len(cells) > 1 and find_channels(name, cells, wanted)]
    widest = named[0] if named else max((cells for cells, _ in split), key=len)
    if len(widest) < 2:
        return SourceError(
            f"{name}: its first line {lines[0].strip()[:60]!r} is no header of delimited columns;"
            " give a logger's text file"
        )
    if not named and all(is_value(cell) for cell in widest):
        return SourceError(
            f"{name}: no line of column names ({listed(widest)}); set header_line = 0 and columns"
            " of its source in the station file"
        )
    if source.time_column is None:
        return SourceError(
            f"{name}: no column of times in its header ({listed(widest)}); set time_column of its"
            " source in the station file to the name of that column"
        )
    return SourceError(
        f"{name}: no column {source.time_column!r} in its header ({listed(widest)});"
        " correct time_column of the source in the station file"
    )


def _is_binary(line: str) -> bool:
    return any((ord(c) < 32 and c not in "\t\r\f\x1a") or ord(c) == 127 for c in line)
