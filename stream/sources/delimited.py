"""Delimited text from loggers: fast where lines are good, exact about those that are not.

A block of lines goes through pyarrow's reader. A block that it refuses is halved
until the bad lines stand in a small piece, which is read line by line by the rules
below; so a bad line costs its neighbours nothing. The two ways give the same numbers.
"""

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import tzinfo
from typing import Any, Final, Protocol

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import csv as arrow_csv

from stream.errors import RecordError, SourceError
from stream.records import (
    EARLIEST,
    LATEST,
    REPEATED_HOUR,
    SECOND,
    Batch,
    ClockDoubt,
    Reject,
    refusal,
    tidy,
    times_set_back,
)
from stream.sources.layout import Layout
from stream.sources.timestamps import LoggerClock, epoch_to_micros, kind_of, parse_time

Floats = NDArray[np.float64]

BLOCK_BYTES: Final = 8 * 1024 * 1024
NEVER: Final = -(2**62)
CLOCK_TOLERANCE_US: Final = 2 * SECOND
"""A time that stands less than this behind a later one is disorder, not a clock."""
_PIECE_LINES: Final = 128
_MAX_LINE: Final = 1024 * 1024
NOTHING: Final = ("", "NaN", "nan", "NAN", "NA", "null")
"""What loggers write for "no value"."""
_NUMBER: Final = re.compile(r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$")


class Readable(Protocol):
    """Whatever bytes can be read from."""

    def read(self, count: int, /) -> bytes:
        """The next bytes, at most ``count``; none at the end."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the reading of a file stands: lines taken, and the latest times among them."""

    line: int
    local_us: int
    latest_us: int


@dataclass
class _Rows:
    """Rows of a piece: times not yet put into UTC, one array a channel."""

    times: NDArray[np.int64]
    local: NDArray[np.bool_]
    values: list[Floats]
    lines: NDArray[np.int64]
    rejects: list[Reject] = field(default_factory=list)


class DelimitedReader:
    """Reads one file block by block into batches.

    Parameters
    ----------
    name : str
        Of the file, for quarantine.
    layout : Layout
        How it is written.
    wanted : iterable of str
        The station's channels; other columns are left alone.
    clock : tzinfo
        Of timestamps that bear no offset.
    """

    def __init__(self, name: str, layout: Layout, wanted: frozenset[str], clock: tzinfo) -> None:
        self.name = name
        self.layout = layout
        self.channels = tuple(c for c in layout.columns if c in wanted)
        self._at = [layout.columns.index(c) for c in self.channels]
        self._clock = LoggerClock(clock)
        self._line = 0
        self._latest_us = NEVER

    @property
    def place(self) -> Place:
        """Where reading stands."""
        return Place(self._line, self._clock.last_us, self._latest_us)

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
        rest = b""
        while block := stream.read(block_bytes):
            block = rest + block
            cut = block.rfind(b"\n") + 1
            if cut == 0:
                if len(block) > _MAX_LINE:
                    raise SourceError(f"{self.name}: a line of over {_MAX_LINE} bytes; not a log")
                rest = block
                continue
            rest = block[cut:]
            yield self.read_block(block[:cut])
        if rest.strip():
            self._line += 1
            yield tidy(
                self.name,
                np.empty(0, np.int64),
                {c: np.empty(0) for c in self.channels},
                np.empty(0, np.int64),
                [refusal(self.name, self._line, "cut off: the last line has no line end", rest)],
            )

    def read_block(self, block: bytes) -> Batch:
        """One batch of whole lines that follow those read before."""
        first = self._line + 1
        self._line += _line_count(block)
        if first == 1:
            block, first = self._after_header(block)
        pieces = list(self._read(block, first))
        times = _one([p.times for p in pieces], np.int64)
        local = _one([p.local for p in pieces], np.bool_)
        if local.all():
            times = self._clock.to_utc(times)
        elif local.any():
            times = times.copy()
            times[local] = self._clock.to_utc(times[local])
        doubts = list(self._doubts(times))
        columns = {
            channel: _one([p.values[j] for p in pieces], np.float64)
            for j, channel in enumerate(self.channels)
        }
        lines = _one([p.lines for p in pieces], np.int64)
        rejects = [r for p in pieces for r in p.rejects]
        return replace(tidy(self.name, times, columns, lines, rejects), doubts=tuple(doubts))

    def _doubts(self, times: NDArray[np.int64]) -> Iterator[ClockDoubt]:
        """What the order of lines and the turn of summer time make doubtful."""
        sane = times[(times >= EARLIEST) & (times < LATEST)]
        if self._clock.repeated:
            hour = np.unique(np.array(self._clock.repeated, dtype=np.int64))
            yield ClockDoubt(REPEATED_HOUR, hour, np.full(len(hour), 3600.0))
        back = times_set_back(sane, self._latest_us, CLOCK_TOLERANCE_US)
        if back is not None:
            yield back
        if len(sane):
            self._latest_us = max(self._latest_us, int(sane.max()))

    def _after_header(self, block: bytes) -> tuple[bytes, int]:
        skipped = 0
        start = 0
        while True:
            end = block.index(b"\n", start) + 1
            line = block[start:end].removeprefix(b"\xef\xbb\xbf")
            skipped += 1
            start = end
            if line.strip() == self.layout.header.strip() or start >= len(block):
                return block[start:], skipped + 1

    def _read(self, block: bytes, first: int) -> Iterator[_Rows]:
        if not block.strip():
            return
        count = _line_count(block)
        rows = self._fast(block, first, count)
        if rows is not None:
            yield rows
            return
        if count <= _PIECE_LINES:
            yield self._careful(block, first)
            return
        ends = np.flatnonzero(np.frombuffer(block, np.uint8) == 10)
        cut = int(ends[count // 2 - 1]) + 1
        yield from self._read(block[:cut], first)
        yield from self._read(block[cut:], first + count // 2)

    def _fast(self, block: bytes, first: int, count: int) -> _Rows | None:
        """The whole block at once, or None where any line is not plainly good."""
        layout = self.layout
        sample = block.lstrip().split(b"\n", 1)[0].decode("utf-8", "replace")
        try:
            cells = next(csv.reader([sample], delimiter=layout.delimiter), [])
        except csv.Error:
            return None
        if len(cells) != len(layout.columns):
            return None
        kind = kind_of(cells[layout.time_index].strip())
        types = {
            "offset": pa.timestamp("ns", tz="UTC"),
            "local": pa.timestamp("ns"),
            "epoch": pa.float64(),
        }
        if kind not in types:
            return None
        names = [c or f"\0{i}" for i, c in enumerate(layout.columns)]
        wanted = [layout.time_column, *self.channels]
        try:
            table = arrow_csv.read_csv(
                pa.BufferReader(block),
                read_options=arrow_csv.ReadOptions(column_names=names),
                parse_options=arrow_csv.ParseOptions(delimiter=layout.delimiter),
                convert_options=arrow_csv.ConvertOptions(
                    column_types={
                        layout.time_column: types[kind],
                        **{c: pa.float64() for c in self.channels},
                    },
                    include_columns=wanted,
                    null_values=list(NOTHING),
                    decimal_point=layout.decimal,
                ),
            )
        except (pa.ArrowInvalid, pa.ArrowKeyError):
            return None
        column = table.column(0)
        if column.null_count:
            return None
        if kind == "epoch":
            seconds = column.to_numpy()
            if not (np.abs(seconds) < 1e11).all():
                return None
            times = epoch_to_micros(seconds)
        else:
            times = column.cast(pa.int64()).to_numpy() // 1000
        values = [table.column(j + 1).to_numpy() for j in range(len(self.channels))]
        # A finite sum says that all are; a sum that is not may only hold a NaN.
        if any(not np.isfinite(v.sum()) and np.isinf(v).any() for v in values):
            return None
        lines = _line_numbers(block, first, len(times), count)
        if lines is None:
            return None
        return _Rows(times, np.full(len(times), kind == "local"), values, lines)

    def _careful(self, block: bytes, first: int) -> _Rows:
        """Line by line: the rules, in words."""
        times: list[int] = []
        local: list[bool] = []
        lines: list[int] = []
        rows: list[list[float]] = []
        rejects: list[Reject] = []
        header = self.layout.header.strip()
        for offset, raw in enumerate(block.split(b"\n")[:-1]):
            line = raw.strip(b"\r").removeprefix(b"\xef\xbb\xbf")
            if not line.strip() or line.strip() == header:
                continue
            try:
                moment, is_local, values = self._parse(line)
            except RecordError as error:
                rejects.append(refusal(self.name, first + offset, str(error), line))
                continue
            times.append(moment)
            local.append(is_local)
            rows.append(values)
            lines.append(first + offset)
        table = np.array(rows, dtype=np.float64).reshape(len(rows), len(self.channels))
        return _Rows(
            np.array(times, dtype=np.int64),
            np.array(local, dtype=bool),
            [table[:, j] for j in range(len(self.channels))],
            np.array(lines, dtype=np.int64),
            rejects,
        )

    def _parse(self, line: bytes) -> tuple[int, bool, list[float]]:
        try:
            text = line.decode("utf-8")
        except UnicodeDecodeError:
            raise RecordError("not UTF-8 text") from None
        if "\0" in text:
            raise RecordError("holds a NUL byte")
        try:
            cells = next(csv.reader([text], delimiter=self.layout.delimiter, strict=True))
        except (csv.Error, StopIteration):
            raise RecordError("its quotes do not close") from None
        if len(cells) != len(self.layout.columns):
            raise RecordError(
                f"{len(cells)} fields where the header has {len(self.layout.columns)}"
            )
        moment, is_local = parse_time(cells[self.layout.time_index].strip())
        return (
            moment,
            is_local,
            [
                self._number(channel, cells[i].strip())
                for channel, i in zip(self.channels, self._at, strict=True)
            ],
        )

    def _number(self, channel: str, cell: str) -> float:
        if cell in NOTHING:
            return float("nan")
        plain = cell
        if self.layout.decimal == ",":
            plain = cell.replace(",", ".") if "." not in cell else ""
        if not _NUMBER.match(plain):
            raise RecordError(f"{channel}: {cell[:40]!r} is not a number")
        number = float(plain)
        if np.isinf(number):
            raise RecordError(f"{channel}: {cell[:40]!r} is too large")
        return number


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
