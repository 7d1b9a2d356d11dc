"""How a logger's text file is written, found from its first lines."""

import csv
import hashlib
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import msgspec

from stream.errors import SourceError
from stream.sources.cells import MISSING, Decimal, decimal_of
from stream.sources.header import Wanted, check_units, find_channels, find_time, split_unit
from stream.sources.text import as_text
from stream.sources.timestamps import DateOrder, is_stamp
from stream.station import FolderSource

DELIMITERS: Final = (",", ";", "\t", "|", " ")
"""What may stand between columns; a blank stands for any run of blanks."""
_MOST_LINES: Final = 200
"""Lines among which a header is looked for."""
SETTLED: Final = 3
"""At most so many lines of units and kinds follow a header."""
_BLANKS: Final = re.compile(r"[ \t]+")
_COMMENTS: Final = ("#", "%", "//", "!")
_SEP: Final = re.compile(r'^"?sep=(.)"?$', re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Layout:
    """How one file is written, as far as it has been read.

    Attributes
    ----------
    delimiter : str
        A blank stands for any run of blanks.
    header : tuple of str
        Names of the columns, without blanks at their ends.
    time, date : int, int or None
        Places of the column of times, and of the dates where they stand apart.
    channels : dict of str to int
        Channel → place of its column.
    header_lines : int
        Lines up to and with the header.
    surplus : int or None
        Empty fields at the end of every line behind the last that has a name; None until
        the header or a record has shown it.
    preamble : tuple of str
        Digests of the lines before the header, to pass over them when they come again.
    decimal : {'.', ','} or None
        None until a number has shown it.
    order : {'dmy', 'mdy', 'ymd'} or None
        Of dates like 03.04.2026, where records have settled it.
    keys : str
        Digest of the source's keys by which it was found.
    since_header : int
        Lines of units that stood behind the header in force; ``SETTLED`` once a record did.
    """

    delimiter: str
    header: tuple[str, ...]
    time: int
    channels: dict[str, int]
    header_lines: int
    surplus: int | None = None
    preamble: tuple[str, ...] = ()
    date: int | None = None
    decimal: Decimal | None = None
    order: DateOrder | None = None
    keys: str = ""
    since_header: int = 0

    @property
    def names(self) -> tuple[str, ...]:
        """The header as it is written: blanks may part one name's cells in two."""
        return tuple(c for c in self.header if c or self.delimiter != " ")

    def to_json(self) -> str:
        """As text that :func:`layout_from_json` reads."""
        return msgspec.json.encode(self).decode()


def layout_from_json(text: str) -> Layout | None:
    """A layout as it was stored; None for the text of another release."""
    try:
        return msgspec.json.decode(text, type=Layout)
    except msgspec.DecodeError:
        return None


def digest_of_keys(source: FolderSource) -> str:
    """Digest of the keys that bear on how a file's lines are told apart."""
    keys = (
        source.encoding, source.delimiter, source.header_line, source.columns,
        source.time_column, source.date_column, source.time_format,
    )  # fmt: skip
    return hashlib.blake2b(repr(keys).encode(), digest_size=8).hexdigest()


def split_line(text: str, delimiter: str, *, strict: bool = False) -> list[str]:
    """Cells of a line, without blanks at their ends.

    Raises
    ------
    csv.Error
        Its quotes do not close, where ``strict``.
    """
    if delimiter == " ":
        text = _BLANKS.sub(" ", text.strip())
    try:
        row = next(csv.reader([text], delimiter=delimiter, strict=strict), [])
    except csv.Error:
        if strict:
            raise
        return [text]
    return [cell.strip() for cell in row]


def without_empty_end(cells: Sequence[str]) -> list[str]:
    """Cells without those that are empty at the end: of a delimiter that ends every line."""
    count = len(cells)
    while count and not cells[count - 1]:
        count -= 1
    return list(cells[:count])


def line_digest(text: str) -> str:
    """To know a line again."""
    return hashlib.blake2b(text.strip().encode(), digest_size=8).hexdigest()


def find_layout(name: str, head: bytes, source: FolderSource, wanted: Wanted) -> Layout | None:
    """Find the layout of a file from its first lines.

    The header is the first line with the column of times and one of a channel; where no
    line has both by name, the line of names that stands before the first date and number.

    Parameters
    ----------
    name : str
        Of the file, for messages.
    head : bytes
        Whole lines in UTF-8.
    source : FolderSource
        What the station file says of it; the rest is found.
    wanted : Wanted

    Returns
    -------
    Layout or None
        None where these lines do not tell, and later ones may: see :func:`no_layout`.

    Raises
    ------
    SourceError
        Two columns fit one channel, or a unit contradicts the station file.
    """
    lines = _lines(head)
    first = next((line for line in lines if line.strip()), "")
    if not first or "\0" in first:
        return None
    told = _SEP.match(first.strip())
    given = source.delimiter or (told[1] if told and told[1] in DELIMITERS else None)
    delimiters = (given,) if given else DELIMITERS
    if source.header_line == 0:
        return _without_header(name, lines, delimiters, source, wanted)
    if source.header_line is not None:
        at = source.header_line - 1
        places: Iterator[int] = iter([at] if at < len(lines) else [])
    else:
        places = iter(range(min(len(lines), _MOST_LINES)))
    for at in places:
        for delimiter in delimiters:
            cells = _header_cells(lines[at], delimiter, source)
            found = header_layout(name, cells, delimiter, source, wanted)
            if found is not None:
                return _placed(found, lines, at)
    if source.header_line is None and source.time_column is None:
        return _by_content(name, lines, delimiters, source, wanted)
    return None


def header_layout(
    name: str, cells: Sequence[str], delimiter: str, source: FolderSource, wanted: Wanted
) -> Layout | None:
    """The layout that a line is the header of; None where it is none."""
    written, cells = len(cells), without_empty_end(cells)
    if len(cells) < 2:
        return None
    time = find_time(cells, source.time_column)
    if time is None:
        return None
    channels = find_channels(name, cells, wanted)
    if not channels:
        return None
    _check(name, cells, channels, wanted)
    date = _date_by_name(name, cells, source)
    surplus = written - len(cells) or None
    return Layout(delimiter, tuple(cells), time, channels, 1, surplus=surplus, date=date)


def no_layout(name: str, head: bytes, source: FolderSource, wanted: Wanted) -> SourceError:
    """Why no layout was found, and what to do."""
    lines = [line for line in _lines(head) if line.strip()]
    lines = [line for line in lines if not comment_mark(line.lstrip())] or lines
    if not lines:
        return SourceError(f"{name}: the file is empty; give a file with a header and records")
    if 127 < ord(lines[0][0]) < 160 or any(_is_binary(line) for line in lines[:5]):
        return SourceError(f"{name}: neither delimited text nor SenML; give a logger's text file")
    delimiters = (source.delimiter,) if source.delimiter else DELIMITERS[:-1]
    split = [(split_line(line, d), d) for line in lines[:_MOST_LINES] for d in delimiters]
    timed = [cells for cells, _ in split if find_time(cells, source.time_column) is not None]
    timed = [cells for cells in timed if len(cells) > 1]
    if timed:
        return SourceError(
            f"{name}: none of its columns is a channel ({_listed(timed[0])}); name the columns as"
            " in [channels] of the station file, or set column of a channel"
        )
    named = [cells for cells, _ in split if len(cells) > 1 and find_channels(name, cells, wanted)]
    widest = named[0] if named else max((cells for cells, _ in split), key=len)
    if len(widest) < 2:
        return SourceError(
            f"{name}: its first line {lines[0].strip()[:60]!r} is no header of delimited columns;"
            " give a logger's text file"
        )
    if not named and all(_is_value(cell) for cell in widest):
        return SourceError(
            f"{name}: no line of column names ({_listed(widest)}); set header_line = 0 and columns"
            " of its source in the station file"
        )
    told = "of times" if source.time_column is None else repr(source.time_column)
    return SourceError(
        f"{name}: no column {told} in its header ({_listed(widest)});"
        " correct time_column of the source in the station file"
    )


def _is_value(cell: str) -> bool:
    """Whether a cell is no name: a number, a time, or nothing."""
    return cell in MISSING or decimal_of(cell) is not None or not any(c.isalpha() for c in cell)


def _lines(head: bytes) -> list[str]:
    return [as_text(line).rstrip("\r") for line in head.removesuffix(b"\n").split(b"\n")]


def _is_binary(line: str) -> bool:
    return any((ord(c) < 32 and c not in "\t\r\f\x1a") or ord(c) == 127 for c in line)


def _header_cells(line: str, delimiter: str, source: FolderSource) -> list[str]:
    if source.columns:
        return list(source.columns) if source.header_line is not None else []
    return _names(line, delimiter)


def _names(line: str, delimiter: str) -> list[str]:
    """Cells of a line that may be a header; the mark of a comment before it is none of it."""
    plain = line.lstrip()
    mark = comment_mark(plain)
    return split_line(plain[len(mark) :].lstrip() if mark else line, delimiter)


def comment_mark(line: str) -> str:
    """What a line begins with that is none of the data; empty where it is no comment."""
    return next((mark for mark in _COMMENTS if line.startswith(mark)), "")


def _check(name: str, cells: Sequence[str], channels: dict[str, int], wanted: Wanted) -> None:
    units = {channel: split_unit(cells[i])[1] for channel, i in channels.items()}
    check_units(name, units, wanted)


def _date_by_name(name: str, cells: Sequence[str], source: FolderSource) -> int | None:
    if source.date_column is None:
        return None
    date = find_time(cells, source.date_column)
    if date is None:
        raise SourceError(
            f"{name}: no column {source.date_column!r} in its header ({_listed(cells)});"
            " correct date_column of the source in the station file"
        )
    return date


def _placed(layout: Layout, lines: Sequence[str], at: int) -> Layout:
    before = tuple(line_digest(line) for line in lines[:at] if line.strip())
    return replace(layout, header_lines=at + 1, preamble=before)


def _without_header(
    name: str,
    lines: Sequence[str],
    delimiters: Sequence[str],
    source: FolderSource,
    wanted: Wanted,
) -> Layout | None:
    """By the names that the station file gives."""
    plain = (line for line in lines if line.strip() and not comment_mark(line.lstrip()))
    first = next((line for line in plain if not _SEP.match(line.strip())), "")
    count = len(source.columns)
    fitting = [d for d in delimiters if len(split_line(first, d)) == count]
    delimiter = fitting[0] if fitting else delimiters[0]
    found = header_layout(name, source.columns, delimiter, source, wanted)
    at = next((i + 1 for i, line in enumerate(lines) if _SEP.match(line.strip())), 0)
    return None if found is None else replace(found, header_lines=at)


def _by_content(
    name: str,
    lines: Sequence[str],
    delimiters: Sequence[str],
    source: FolderSource,
    wanted: Wanted,
) -> Layout | None:
    """The header is the nearest line of names before the first date and number."""
    for at, line in enumerate(lines[:_MOST_LINES]):
        for delimiter in delimiters:
            cells = split_line(line, delimiter)
            time = next((i for i, cell in enumerate(cells) if is_stamp(cell)), None)
            if time is None or len(cells) < 2:
                continue
            for above in range(at - 1, -1, -1):
                written = _names(lines[above], delimiter)
                names = without_empty_end(written)
                # Records may end with a delimiter where the header does not.
                fits = time < len(names) <= len(cells) and not any(cells[len(names) :])
                if fits and (channels := find_channels(name, names, wanted)):
                    if time in channels.values() or is_stamp(names[time]):
                        return None
                    _check(name, names, channels, wanted)
                    surplus = len(written) - len(names) or None
                    found = Layout(delimiter, tuple(names), time, channels, 1, surplus=surplus)
                    return _placed(found, lines, above)
    return None


def _listed(columns: Sequence[str]) -> str:
    shown = ", ".join(columns[:8])
    return f"it has {shown}" + (f" and {len(columns) - 8} more" if len(columns) > 8 else "")
