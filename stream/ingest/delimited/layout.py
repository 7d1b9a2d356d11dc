"""How a logger's text file is written, found from its first lines."""

import hashlib
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import msgspec

from stream.errors import SourceError
from stream.ingest.delimited.cells import (
    MISSING,
    Decimal,
    as_text,
    comment_mark,
    decimal_of,
    line_digest,
    split_line,
    without_empty_end,
)
from stream.ingest.delimited.header import (
    Wanted,
    check_units,
    find_channels,
    find_time,
    find_zone,
    listed,
    split_unit,
)
from stream.ingest.times.timestamps import DateOrder, is_date, is_stamp, is_time_of_day
from stream.station import FolderSource

DELIMITERS: Final = (",", ";", "\t", "|", " ")
"""What may stand between columns; a blank stands for any run of blanks."""
MOST_LINES: Final = 200
"""Lines among which a header is looked for."""
SETTLED: Final = 3
"""At most so many lines of units and kinds follow a header."""
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
    zone : int or None
        Place of a column of time zones, once a record has shown it.
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
    zone: int | None = None
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
    keys: tuple[object, ...] = (
        source.encoding, source.delimiter, source.header_line, source.columns,
        source.time_column, source.date_column, source.time_format,
    )  # fmt: skip
    if source.zone_column is not None:
        keys = (*keys, source.zone_column)
    return hashlib.blake2b(repr(keys).encode(), digest_size=8).hexdigest()


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
    lines = text_lines(head)
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
        places = iter(range(min(len(lines), MOST_LINES)))
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
    date = _by_key(name, cells, "date_column", source.date_column)
    _by_key(name, cells, "zone_column", source.zone_column or None)
    surplus = written - len(cells) or None
    return Layout(delimiter, tuple(cells), time, channels, 1, surplus=surplus, date=date)


def is_value(cell: str) -> bool:
    """Whether a cell is no name: a number, a time, or nothing."""
    return cell in MISSING or decimal_of(cell) is not None or not any(c.isalpha() for c in cell)


def text_lines(head: bytes) -> list[str]:
    """The first lines of a file, without their ends."""
    content = head.removesuffix(b"\n")
    try:
        lines = content.decode("utf-8").split("\n")
    except UnicodeDecodeError:
        lines = [as_text(line) for line in content.split(b"\n")]
    return [line.rstrip("\r") for line in lines]


def _header_cells(line: str, delimiter: str, source: FolderSource) -> list[str]:
    if source.columns:
        return list(source.columns) if source.header_line is not None else []
    return _names(line, delimiter)


def _names(line: str, delimiter: str) -> list[str]:
    """Cells of a line that may be a header; the mark of a comment before it is none of it."""
    plain = line.lstrip()
    mark = comment_mark(plain)
    return split_line(plain[len(mark) :].lstrip() if mark else line, delimiter)


def _check(name: str, cells: Sequence[str], channels: dict[str, int], wanted: Wanted) -> None:
    units = {channel: split_unit(cells[i])[1] for channel, i in channels.items()}
    check_units(name, units, wanted)


def _by_key(name: str, cells: Sequence[str], key: str, given: str | None) -> int | None:
    """Place of a column that a key of the source names."""
    if given is None:
        return None
    found = find_time(cells, given)
    if found is None:
        raise SourceError(
            f"{name}: no column {given!r} in its header ({listed(cells)});"
            f" correct {key} of the source in the station file"
        )
    return found


def with_time_of_day(layout: Layout) -> Layout:
    """A header of one name for date and time of day, which blanks part into two columns."""
    at = layout.time
    return replace(
        layout,
        header=(*layout.header[: at + 1], "", *layout.header[at + 1 :]),
        channels={c: i + 1 if i > at else i for c, i in layout.channels.items()},
        date=at,
        time=at + 1,
    )


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
    for at, line in enumerate(lines[:MOST_LINES]):
        for delimiter in delimiters:
            cells = split_line(line, delimiter)
            stamps = [i for i, cell in enumerate(cells) if is_stamp(cell)]
            if not stamps or len(cells) < 2:
                continue
            time = stamps[0]
            for above in range(at - 1, -1, -1):
                written = _names(lines[above], delimiter)
                names = without_empty_end(written)
                # Records may end with a delimiter where the header does not.
                fits = time < len(names) <= len(cells) and not any(cells[len(names) :])
                if fits and (channels := find_channels(name, names, wanted)):
                    if time in channels.values() or is_stamp(names[time]):
                        return None
                    _is_alone(name, [names[i] for i in stamps if not is_date(cells[i])])
                    _check(name, names, channels, wanted)
                    surplus = len(written) - len(names) or None
                    found = Layout(delimiter, tuple(names), time, channels, 1, surplus=surplus)
                    return _placed(found, lines, above)
    return None


def _is_alone(name: str, stamps: Sequence[str]) -> None:
    """Hold that one column at most has dates with a time of day: begin or end of a mean
    looks the same.
    """
    if len(stamps) > 1:
        number = "both" if len(stamps) == 2 else "all"
        raise SourceError(
            f"{name}: the columns {' and '.join(map(repr, stamps))} {number} hold times; set"
            " time_column of its source in the station file to the one that counts"
        )


def settled(layout: Layout, cells: Sequence[str], source: FolderSource) -> Layout:
    """The layout as a line behind the header shows it; unchanged where it tells nothing."""
    layout = _with_date(layout, cells, source)
    zone = layout.zone
    if source.zone_column is not None:
        zone = find_time(layout.header, source.zone_column) if source.zone_column else None
    elif zone is None:
        times = [at for at in (layout.time, layout.date) if at is not None]
        zone = find_zone(layout.header, cells, times, layout.channels.values())
    return layout if zone == layout.zone else replace(layout, zone=zone)


def _with_date(layout: Layout, cells: Sequence[str], source: FolderSource) -> Layout:
    at = layout.time
    if at >= len(cells) or layout.date is not None or source.time_format is not None:
        return layout
    cell = cells[at]
    named = cells[: len(layout.header)]  # a line may have more cells than there are columns
    if is_date(cell):
        if layout.delimiter == " " and len(cells) == len(layout.header) + 1:
            return with_time_of_day(layout) if is_time_of_day(cells[at + 1]) else layout
        times = [i for i, c in enumerate(named) if is_time_of_day(c)]
        times = [i for i in times if i not in layout.channels.values()]
        return replace(layout, date=at, time=times[0]) if len(times) == 1 else layout
    if is_time_of_day(cell):
        dates = [i for i, c in enumerate(named) if i != at and is_date(c)]
        dates = [i for i in dates if i not in layout.channels.values()]
        stamps = [i for i, c in enumerate(named) if is_stamp(c)]
        if dates:
            return replace(layout, date=dates[0])
        if len(stamps) == 1 and stamps[0] not in layout.channels.values():
            return replace(layout, time=stamps[0])
    return layout
