"""One line at a time: the rules by which a logger's text is read, in words.

What a line means may depend on the lines before it: the header in force, the decimal
mark that has been shown. That state is the :class:`Layout`, and nothing else.
"""

import csv
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import tzinfo
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.errors import RecordError, SourceWaits
from stream.ingest.batches import Reject, refusal
from stream.ingest.delimited.cells import (
    BOM,
    as_text,
    comment_mark,
    decimal_of,
    decimal_shown,
    line_digest,
    missing_words,
    read_number,
    split_line,
    split_unclosed,
    without_empty_end,
    without_unit,
)
from stream.ingest.delimited.header import Wanted, check_units, may_name_time, says_utc
from stream.ingest.delimited.layout import SETTLED, Layout, header_layout, settled
from stream.ingest.delimited.rows import Rows
from stream.ingest.times.timestamps import AmbiguousDate, DateOrder, is_count, is_date, parse_time
from stream.ingest.times.zones import UnknownZone, zone_to_utc
from stream.station import FolderSource

Floats = NDArray[np.float64]

MAX_LINE: Final = 1024 * 1024
"""A longer line is refused [bytes]."""


class LineReader:
    """Reads lines one by one.

    Parameters
    ----------
    name : str
        Of the file, for quarantine.
    layout : Layout
    source : FolderSource
        What the station file says of it.
    wanted : Wanted
    clock : tzinfo
        By which the names in a column of time zones are understood.
    """

    def __init__(
        self, name: str, layout: Layout, source: FolderSource, wanted: Wanted, clock: tzinfo
    ) -> None:
        self.name = name
        self.clock = clock
        self.source = source
        self.wanted = wanted
        self.is_utc = False
        """Whether times without offset are UTC, by the header of their column."""
        self.missing: frozenset[str] = frozenset()
        self.states: Mapping[str, Mapping[str, float]] = {}
        """Channel → words that its cells may hold; those that the source calls missing only
        where the channel itself gives them."""
        self.ambiguous: str | None = None
        """A time whose order of day and month was needed and not given, if there was one."""
        self.take_layout(layout)

    def take_layout(self, layout: Layout) -> None:
        """Go on by another layout."""
        self.layout = layout
        self.is_utc = self.source.clock is None and says_utc(layout.header[layout.time])
        self.missing = frozenset(missing_words(self.source.missing, layout.decimal or ","))
        none = {word.lower() for word in self.missing}
        self.states = {
            c: {w: n for w, n in how.states.items() if w in how.given or w not in none}
            for c, how in self.wanted.items()
        }

    @property
    def order(self) -> DateOrder | None:
        """Of dates like 03.04.2026."""
        return self.source.date_order or self.layout.order

    @property
    def needs_time_of_day(self) -> bool:
        """Whether a date alone is refused: it would put a day's records at one midnight."""
        source = self.source
        return self.layout.date is None and not (source.time_column or source.time_format)

    def has_time_of_day(self, line: bytes) -> bool:
        """Whether the time of a line that is good otherwise tells more than the date."""
        cells = split_line(as_text(line), self.layout.delimiter)
        return not is_date(cells[self.layout.time])

    def read(self, raw_lines: Sequence[bytes], first: int) -> Rows:
        """Read lines, the first of which is line ``first`` of the file."""
        times: list[int] = []
        local: list[bool] = []
        lines: list[int] = []
        values: list[dict[str, float]] = []
        rejects: list[Reject] = []
        for number, raw in enumerate(raw_lines, first):
            line = raw.strip(b"\r").removeprefix(BOM)
            if not line.strip():
                continue
            try:
                row = self._take(line, number, rejects)
            except RecordError as error:
                rejects.append(refusal(self.name, number, str(error), line))
                continue
            if row is not None:
                times.append(row[0])
                local.append(row[1])
                values.append(row[2])
                lines.append(number)
        channels = dict.fromkeys(c for row in values for c in row)
        nan = float("nan")
        return Rows(
            np.array(times, dtype=np.int64),
            np.array(local, dtype=bool),
            {c: np.array([row.get(c, nan) for row in values]) for c in channels},
            np.array(lines, dtype=np.int64),
            rejects,
        )

    def _take(
        self, line: bytes, number: int, rejects: list[Reject]
    ) -> tuple[int, bool, dict[str, float]] | None:
        """Time, whether it is local, and values; None for a line that is no record."""
        if len(line) > MAX_LINE:
            raise RecordError(f"a line of over {MAX_LINE} bytes; not a logger's")
        text = as_text(line)
        if "\0" in text:
            raise RecordError("holds a NUL byte")
        try:
            cells = split_line(text, self.layout.delimiter, strict=True)
        except csv.Error:
            cells = split_unclosed(text, self.layout.delimiter)
            if len(cells) != len(self.layout.header) or len(cells) - 1 in self._read_at():
                raise RecordError("its quotes do not close") from None
        if self._is_passed_over(text, cells):
            return None
        if self.layout.since_header < SETTLED:
            layout = settled(self.layout, cells, self.source)
            if layout is not self.layout:
                self.take_layout(layout)
        try:
            moment, cells = self._timed(cells)
        except UnknownZone as error:
            if self.layout.since_header >= SETTLED:
                raise
            where = f"its column {self.layout.header[self.layout.zone or 0]!r}"
            raise SourceWaits(
                f"{self.name}: {where}: {error}, or zone_column of the source to the name of"
                ' another column, "" for none'
            ) from None
        except RecordError:
            if self._is_new_header(text, number, rejects) or self._is_unit_line(cells):
                return None
            if comment_mark(text.lstrip()) and cells[0] not in self.missing:
                return None
            raise
        self._count(SETTLED)
        return *moment, self._values(cells, line, number, rejects)

    def _count(self, since_header: int) -> None:
        if self.layout.since_header != since_header:
            self.layout = replace(self.layout, since_header=since_header)

    def _is_passed_over(self, text: str, cells: Sequence[str]) -> bool:
        """The header again, what stood before it, or a spreadsheet's empty row."""
        if not any(cells):
            return True
        if tuple(without_empty_end(cells)) == self.layout.names and self.source.header_line != 0:
            self._count(0)
            return True
        return bool(self.layout.preamble) and line_digest(text) in self.layout.preamble

    def _is_new_header(self, text: str, number: int, rejects: list[Reject]) -> bool:
        """Whether a line names columns, other than those in force or in another order."""
        if self.source.columns or not may_name_time(text, self.source.time_column):
            return False
        old = self.layout
        delimiters = dict.fromkeys([old.delimiter, ",", ";", "\t", "|"])
        for delimiter in delimiters if self.source.delimiter is None else [old.delimiter]:
            cells = split_line(text, delimiter)
            new = header_layout(self.name, cells, delimiter, self.source, self.wanted)
            if new is None:
                continue
            same = new.delimiter == old.delimiter
            keeps = replace(
                new,
                header_lines=old.header_lines,
                preamble=old.preamble,
                decimal=old.decimal if same else None,
                order=old.order,
                keys=old.keys,
                surplus=old.surplus if same and new.surplus is None else new.surplus,
            )
            if not same or new.header != old.names:
                lost = [c for c in old.channels if c not in new.channels]
                more = [c for c in new.channels if c not in old.channels]
                told = f"; no longer {', '.join(lost)}" if lost else ""
                told += f"; now also {', '.join(more)}" if more else ""
                reason = f"the columns change here, and are read by their names from here on{told}"
                rejects.append(refusal(self.name, number, reason, text.encode()))
            self.take_layout(keeps)
            return True
        return False

    def _is_unit_line(self, cells: Sequence[str]) -> bool:
        """Whether a line behind a header holds units or kinds: no time, and no numbers.

        Raises
        ------
        SourceError
            A unit contradicts the station file.
        """
        layout = self.layout
        if layout.since_header >= SETTLED or len(cells) != len(layout.names):
            return False
        mine = {channel: cells[i] for channel, i in layout.channels.items()}
        words = [cell for cell in mine.values() if cell not in self.missing]
        units = [cell for cell in words if cell != "1"]  # which is a lid's unit, or its state
        if (words and not units) or any(cell.lstrip("+-")[:1].isdigit() for cell in units):
            return False
        if not words and any(c.isdigit() for c in cells[layout.time]):
            return False
        check_units(self.name, mine, self.wanted, "its row of units")
        self._count(layout.since_header + 1)
        return True

    def _timed(self, cells: list[str]) -> tuple[tuple[int, bool], list[str]]:
        """The time of a row, and its cells as many as the header has."""
        layout = self.layout
        n = len(layout.header)
        if len(cells) < n:
            self._time(cells)
            raise RecordError(f"{len(cells)} fields where the header has {n}")
        if len(cells) == n or (len(cells) - n == layout.surplus and not any(cells[n:])):
            when = self._time(cells)
            self._ends_with(len(cells) - n)
            return when, cells
        return self._joined(cells)

    def _ends_with(self, surplus: int) -> None:
        if self.layout.surplus is None:
            self.layout = replace(self.layout, surplus=surplus)

    def _time(self, cells: Sequence[str]) -> tuple[int, bool]:
        layout = self.layout
        if max(layout.time, layout.date or 0, layout.zone or 0) >= len(cells):
            raise RecordError(f"{len(cells)} fields where the header has {len(layout.header)}")
        text = cells[layout.time]
        if layout.date is not None:
            text = f"{cells[layout.date]} {text}"
        if self.needs_time_of_day and is_date(text):
            raise RecordError(
                f"{text[:40]!r} has no time of day; set time_column of its source, and date_column"
                " where the date stands apart"
            )
        try:
            when, is_local = parse_time(text, self.order, self.source.time_format)
        except AmbiguousDate as error:
            # A line that ends early is no record, whatever its date may be.
            if len(cells) >= len(layout.header):
                self.ambiguous = self.ambiguous or text
            raise RecordError(f"{error}; set date_order of its source") from None
        is_local = is_local and not self.is_utc
        zone = "" if layout.zone is None else cells[layout.zone]
        if is_local and zone not in self.missing:
            utc = zone_to_utc(zone, self.clock, np.array([when], dtype=np.int64))
            return (when, True) if utc is None else (int(utc[0]), False)
        return when, is_local

    def _joined(self, cells: list[str]) -> tuple[tuple[int, bool], list[str]]:
        """A row with more fields than the header, because of a comma that is no border: in
        a remark, or before the fraction of a second; only where one way alone makes sense.
        """
        n = len(self.layout.header)
        refused = RecordError(f"{len(cells)} fields where the header has {n}")
        known = self.layout.surplus
        for _ in range(known or 0):
            cells = cells if cells[-1] else cells[:-1]
        ways = list(self._ways(cells))
        if not ways and not any(cells[n:]):
            # Nothing but delimiters at the end.
            when = self._time(cells)
            self._ends_with(len(cells) - n)
            return when, cells
        # In the first record a comma may be either; later ones are held against it.
        unsure = known is None and not any(cells[n:])
        if unsure or len({tuple(w[i] for i in self._read_at()) for w in ways}) != 1:
            self._time(cells)
            raise refused
        when = self._time(ways[0])
        self._ends_with(0)
        return when, ways[0]

    def _ways(self, cells: list[str]) -> Iterator[list[str]]:
        """Rows of as many fields as the header that make sense."""
        layout = self.layout
        n = len(layout.header)
        extra = len(cells) - n
        for at in range(n if extra > 0 else 0):
            if at in layout.channels.values() or at == layout.date:
                continue
            if at == layout.time:
                if extra != 1 or layout.delimiter != "," or not cells[at + 1].isdigit():
                    continue
                if ":" not in cells[at] or not self._has_points(cells):
                    continue
            elif decimal_of(cells[at]) or cells[at].isdigit():
                continue  # a remark does not begin with a number alone
            end = at + extra + 1
            joined = [*cells[:at], layout.delimiter.join(cells[at:end]), *cells[end:]]
            if self._is_sound(joined):
                yield joined

    def _read_at(self) -> list[int]:
        layout = self.layout
        places = [layout.time, layout.date, layout.zone, *layout.channels.values()]
        return [at for at in places if at is not None]

    def _has_points(self, cells: Sequence[str]) -> bool:
        known = self.source.decimal or self.layout.decimal
        return known == "." or (known is None and decimal_shown(cells, ",") == ".")

    def _is_sound(self, cells: Sequence[str]) -> bool:
        try:
            self._time(cells)
            for channel, at in self.layout.channels.items():
                self.number(channel, cells[at])
        except RecordError:
            return False
        return True

    def _values(
        self, cells: Sequence[str], line: bytes, number: int, rejects: list[Reject]
    ) -> dict[str, float]:
        """Values by channel; a cell that is no number costs that cell."""
        layout = self.layout
        if layout.decimal is None:
            mine = [cells[at] for at in layout.channels.values()]
            if is_count(cells[layout.time]):
                mine.append(cells[layout.time])
            shown = decimal_shown([c for c in mine if c not in self.missing], layout.delimiter)
            if shown is not None:
                self.take_layout(replace(layout, decimal=shown))
        values = {}
        refused: set[int] = set()
        for channel, at in layout.channels.items():
            try:
                values[channel] = self.number(channel, cells[at])
            except RecordError as error:
                if at not in refused:  # once, though several lids stand in one column
                    rejects.append(refusal(self.name, number, str(error), line))
                refused.add(at)
                values[channel] = float("nan")
        return values

    def number(self, channel: str, cell: str) -> float:
        """One cell of a channel; NaN for no value.

        Raises
        ------
        RecordError
            See :func:`read_number` and :func:`without_unit`.
        """
        states = self.states[channel]
        if cell.lower() in states:
            return states[cell.lower()]
        decimal, sure = self.source.decimal or self.layout.decimal, self.source.decimal is not None
        how = self.wanted[channel]
        try:
            number = read_number(channel, cell, decimal, self.missing, sure=sure)
        except RecordError:
            plain = without_unit(channel, cell, how.unit)
            if plain is None:
                raise
            number = read_number(channel, plain, decimal, self.missing, sure=sure)
        return number if how.one_of is None else float(how.meant(np.array([number]))[0])
