"""Delimited text of loggers: how a file is written is found out, and its records are read.

A block of lines goes through pyarrow's reader. A block that it refuses is halved
until the bad lines stand in a small one, which is read line by line by the rules of
:class:`LineReader`; so a bad line costs its neighbours nothing. The two ways give the same numbers.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from stream.errors import SourceError
from stream.ingest.batches import (
    REPEATED_HOUR,
    Batch,
    UntrustedTimes,
    refusal,
    tidy,
    times_set_back,
    without_strays,
)
from stream.ingest.delimited.blocks import read_alike
from stream.ingest.delimited.cells import Encoding, Readable, WholeLines, find_encoding
from stream.ingest.delimited.header import Wanted, find_channels, wanted_columns
from stream.ingest.delimited.layout import SETTLED, Layout, digest_of_keys, find_layout
from stream.ingest.delimited.lines import MAX_LINE, LineReader
from stream.ingest.delimited.not_understood import no_layout
from stream.ingest.delimited.rows import Rows
from stream.ingest.times.timestamps import DateOrder, LoggerClock, may_be_open
from stream.station import FolderSource, Station, read_clock
from stream.times import DAY, EARLIEST, LATEST, SECOND

Floats = NDArray[np.float64]

BLOCK_BYTES: Final = 8 * 1024 * 1024
NEVER: Final = -(2**62)
CLOCK_TOLERANCE_US: Final = 2 * SECOND
"""A time that stands less than this behind a later one is disorder, not a clock."""
ANY_SOURCE: Final = FolderSource(kind="folder", path=".")
UTF8: Final = Encoding()
_SMALL_BLOCK: Final = 128
_FEW_LINES: Final = 8
"""So few are read sooner one by one."""
_MOST_MIDNIGHTS: Final = 50


@dataclass(frozen=True, slots=True)
class Place:
    """Where the reading of a file stands: lines taken, and the latest times among them."""

    line: int
    local_us: int
    latest_us: int


class DelimitedReader:
    """Reads one file block by block into batches.

    Parameters
    ----------
    name : str
        Of the file, for quarantine.
    layout : Layout
        How it is written, as found or as stored when it was read last.
    wanted : Wanted
        The station's channels; other columns are left alone.
    clock : tzinfo
        Of timestamps that bear no offset.
    source : FolderSource, optional
        What the station file says of it.
    encoding : Encoding, optional
    """

    def __init__(
        self,
        name: str,
        layout: Layout,
        wanted: Wanted,
        clock: tzinfo,
        source: FolderSource = ANY_SOURCE,
        encoding: Encoding = UTF8,
    ) -> None:
        self.name = name
        self._lines = LineReader(name, layout, source, wanted, clock)
        self._encoding = encoding
        self._clock = LoggerClock(clock)
        self._line = 0
        self._latest_us = NEVER

    @property
    def place(self) -> Place:
        """Where reading stands."""
        return Place(self._line, self._clock.last_us, self._latest_us)

    @property
    def layout(self) -> Layout:
        """How the lines to come are written."""
        return self._lines.layout

    @property
    def ambiguous(self) -> str | None:
        """A time whose order of day and month was needed and not given, if there was one."""
        return self._lines.ambiguous

    def go_on_from(self, place: Place) -> None:
        """Go on behind lines that an earlier reader has taken; the header is past."""
        self._line = place.line
        self._clock.go_on_from(place.local_us)
        self._latest_us = place.latest_us

    def batches(self, stream: Readable, block_bytes: int = BLOCK_BYTES) -> Iterator[Batch]:
        """Batches in the order of the file, each of whole lines.

        A last line without its line end is not trusted, since its last number may be
        cut off; it goes to quarantine.
        """
        blocks = WholeLines(stream, self._encoding, block_bytes, MAX_LINE)
        for block, _ in blocks:
            yield self.read_block(block)
        rest = self._encoding.to_utf8(blocks.rest)
        if rest.strip():
            self._line += 1
            nothing = np.empty(0, np.int64)
            reason = "cut off: the last line has no line end"
            refused = refusal(self.name, self._line, reason, rest)
            yield tidy(self.name, nothing, {}, nothing, [refused])

    def read_block(self, block: bytes) -> Batch:
        """One batch of whole lines that follow those read before.

        Raises
        ------
        SourceError
            A unit stated in the file contradicts the station file.
        """
        parts = self.rows(block)
        times = _one([p.times for p in parts], np.int64)
        local = _one([p.local for p in parts], np.bool_)
        if local.all():
            times = self._clock.to_utc(times)
        elif local.any():
            times = times.copy()
            times[local] = self._clock.to_utc(times[local])
        untrusted = tuple(self._untrusted(times))
        channels = dict.fromkeys([*self.layout.channels, *(c for p in parts for c in p.values)])
        columns = {
            channel: _one([_column(p, channel) for p in parts], np.float64) for channel in channels
        }
        lines = _one([p.lines for p in parts], np.int64)
        rejects = [r for p in parts for r in p.rejects]
        return replace(tidy(self.name, times, columns, lines, rejects), untrusted=untrusted)

    def rows(self, block: bytes) -> list[Rows]:
        """Rows of whole lines in the order of the file, as they stand."""
        block = self._encoding.to_utf8(block)
        first = self._line + 1
        self._line += _line_count(block)
        block, first = self._after_header(block, first)
        return list(self._read(block, first))

    def _untrusted(self, times: NDArray[np.int64]) -> Iterator[UntrustedTimes]:
        """Times that the order of lines, or the end of summer time, casts doubt on."""
        sane = times[(times >= EARLIEST) & (times < LATEST)]
        if self._clock.repeated:
            hour = np.unique(np.array(self._clock.repeated, dtype=np.int64))
            yield UntrustedTimes(REPEATED_HOUR, hour, np.full(len(hour), 3600.0))
        back = times_set_back(sane, self._latest_us, CLOCK_TOLERANCE_US)
        if back is not None:
            yield back
        if len(sane):
            kept = without_strays(sane, self._latest_us)
            self._latest_us = max(self._latest_us, int(kept.max()))

    def _after_header(self, block: bytes, first: int) -> tuple[bytes, int]:
        """The block from the line behind the header on, and that line's number."""
        start = 0
        while first <= self.layout.header_lines and start < len(block):
            start = block.index(b"\n", start) + 1
            first += 1
        return block[start:], first

    def _read(self, block: bytes, first: int) -> Iterator[Rows]:
        # What follows a header is settled line by line.
        start = 0
        while self.layout.since_header < SETTLED and start < len(block):
            end = block.index(b"\n", start)
            yield self._lines.read([block[start:end]], first)
            start, first = end + 1, first + 1
        block = block[start:]
        if block and not block.isspace():
            yield from self._read_settled(block, first)

    def _read_settled(self, block: bytes, first: int) -> Iterator[Rows]:
        count = _line_count(block)
        rows = self._fast(block, first, count) if count > _FEW_LINES else None
        if rows is not None:
            yield rows
        elif count <= _SMALL_BLOCK:
            yield self._lines.read(block.split(b"\n")[:-1], first)
        else:
            ends = np.flatnonzero(np.frombuffer(block, np.uint8) == 10)
            cut = int(ends[count // 2 - 1]) + 1
            yield from self._read(block[:cut], first)
            yield from self._read(block[cut:], first + count // 2)

    def _fast(self, block: bytes, first: int, count: int) -> Rows | None:
        found = read_alike(block, self._lines)
        if found is None:
            return None
        times, local, values = found
        lines = _line_numbers(block, first, len(times), count)
        if lines is None or not self._have_times_of_day(block, times, lines - first):
            return None
        return Rows(times, local, values, lines)

    def _have_times_of_day(
        self, block: bytes, times: NDArray[np.int64], offsets: NDArray[np.int64]
    ) -> bool:
        """Whether what stands at midnight was written so, and is not a date alone."""
        if not self._lines.needs_time_of_day:
            return True
        midnights = offsets[times % DAY == 0]
        if not len(midnights):
            return True
        if len(midnights) > _MOST_MIDNIGHTS:
            return False
        ends = np.flatnonzero(np.frombuffer(block, np.uint8) == 10)
        starts = [int(ends[i - 1]) + 1 if i else 0 for i in midnights]
        found = zip(starts, ends[midnights], strict=True)
        return all(self._lines.has_time_of_day(block[a : int(b)]) for a, b in found)


def _column(rows: Rows, channel: str) -> Floats:
    values = rows.values.get(channel)
    return np.full(len(rows.times), np.nan) if values is None else values


def _one(parts: list[NDArray[Any]], kind: type[np.generic]) -> NDArray[Any]:
    """All parts as one array, without a copy where there is one only."""
    if len(parts) == 1:
        return parts[0]
    return np.concatenate([np.empty(0, kind), *parts])


def _line_count(block: bytes) -> int:
    return int(np.count_nonzero(np.frombuffer(block, np.uint8) == 10))


def _line_numbers(block: bytes, first: int, rows: int, count: int) -> NDArray[np.int64] | None:
    """Line of each row where blank lines are left out; None where they do not add up."""
    if count == rows:
        return np.arange(first, first + rows, dtype=np.int64)
    ends = np.flatnonzero(np.frombuffer(block, np.uint8) == 10)
    lengths = np.diff(ends, prepend=-1) - 1
    carriage = 1 if block[int(ends[0]) - 1 : int(ends[0])] == b"\r" else 0
    kept = np.flatnonzero(lengths > carriage)
    return kept + first if len(kept) == rows else None


_FIRST_LINES: Final = 8
"""So many lines behind a header are looked at for what must be asked first."""


@dataclass(frozen=True, slots=True)
class Found:
    """What the beginning of a file told.

    Attributes
    ----------
    name : str
        Of the file, for messages.
    encoding : Encoding
    layout : Layout
    ambiguous : str or None
        A date whose order of day and month must be known before anything is taken.
    """

    name: str
    encoding: Encoding
    layout: Layout
    ambiguous: str | None


class TextFiles:
    """Opens the text files of one source.

    Parameters
    ----------
    source : FolderSource
    wanted : Wanted
    clock : str
        Of stamps that bear no offset, where the source has none of its own.
    """

    def __init__(self, source: FolderSource, wanted: Wanted, clock: str) -> None:
        self.source = source
        self._wanted = wanted
        self._clock = clock

    @classmethod
    def of(cls, station: Station, source: FolderSource) -> "TextFiles":
        """Those of a station's source."""
        return cls(source, wanted_columns(station), station.station.clock)

    def find(self, name: str, head: bytes) -> Found | None:
        """Look at the beginning of a file; None where it does not tell yet.

        Raises
        ------
        SourceError
            See :func:`find_layout`.
        SourceWaits
            The first record has a time zone that the station file must explain.
        """
        encoding = find_encoding(head, self.source.encoding)
        lines = self._whole_lines(encoding, head)
        text = encoding.to_utf8(lines)
        layout = find_layout(name, text, self.source, self._wanted)
        if layout is None:
            return None
        layout = replace(layout, keys=digest_of_keys(self.source))
        found = Found(name, encoding, layout, None)
        # What the first records ask about, before anything is taken.
        begin = text.split(b"\n", layout.header_lines + _FIRST_LINES)[:-1]
        plain = replace(found, encoding=Encoding())
        self.reader(plain).rows(b"".join(line + b"\n" for line in begin))
        if self.source.date_order is not None or not may_be_open(text):
            return found
        probe = self.reader(found)
        probe.rows(lines)
        return Found(name, encoding, layout, probe.ambiguous)

    def why_not(self, name: str, head: bytes) -> SourceError:
        """Why a file's beginning gave nothing."""
        encoding = find_encoding(head, self.source.encoding)
        lines = encoding.to_utf8(self._whole_lines(encoding, head))
        return no_layout(name, lines, self.source, self._wanted)

    def again(self, name: str, head: bytes, layout: Layout) -> Found | None:
        """A file whose layout is known from when it was read last; None where the station
        file says since how it is written.

        Raises
        ------
        SourceError
            Two columns fit one channel.
        """
        if layout.keys != digest_of_keys(self.source):
            return None
        # Channels may have been added since.
        layout = replace(layout, channels=find_channels(name, layout.header, self._wanted))
        return Found(name, find_encoding(head, self.source.encoding), layout, None)

    def reader(self, found: Found, order: DateOrder | None = None) -> DelimitedReader:
        """A reader that stands at the file's beginning.

        Parameters
        ----------
        found : Found
        order : {'dmy', 'mdy', 'ymd'}, optional
            Of dates like 03.04.2026, where the station file does not give it.
        """
        layout = found.layout if order is None else replace(found.layout, order=order)
        clock = read_clock(self.source.clock or self._clock)
        return DelimitedReader(found.name, layout, self._wanted, clock, self.source, found.encoding)

    @staticmethod
    def _whole_lines(encoding: Encoding, head: bytes) -> bytes:
        """Up to the last line end, or all of it where there is none."""
        return head[: encoding.lines_end(head)] or head
