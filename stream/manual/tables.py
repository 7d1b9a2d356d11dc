"""Tables that people bring: vials filled in the field, and runs of a gas chromatograph.

A table of vials has a row a vial, a table of a run a row an injection; which it is, its
header tells. Both are delimited text with the columns below, in any order; columns of
other names are left alone.
"""

import csv
import io
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final, TypeVar

import numpy as np

from stream.errors import RecordError, SourceError
from stream.ingest.batches import Reject, refusal
from stream.ingest.files.contents import MAX_BYTES, Kind, kind_of_table
from stream.ingest.times.timestamps import LoggerClock, parse_time
from stream.station import AIR_PRESSURE, AIR_TEMPERATURE, HEIGHT, Size, Station, read_clock
from stream.times import DAY, EARLIEST, LATEST

T = TypeVar("T")

_LONGEST_US: Final = DAY


@dataclass(frozen=True, slots=True)
class VialSample:
    """One vial as it was noted in the field; None where the table does not say.

    Attributes
    ----------
    chamber, vial : str
        Whose headspace, and where the air went.
    closed_us, sampled_us, opened_us : int
        [µs]
    dilution : float
        How many times the air was diluted [1].
    sample_ml, vial_ml, fill_kpa : float
        Air pushed in, volume of the vial, inert gas in it before.
    height_m, air_temperature_c, pressure_hpa : float
        Of the headspace, as measured that day; None where it cannot be right.
    line : int
        Of the table.
    flags : frozenset of str
        Flags of what the row notes that cannot be right.
    """

    chamber: str
    vial: str
    closed_us: int
    sampled_us: int
    opened_us: int | None
    dilution: float | None
    sample_ml: float | None
    vial_ml: float | None
    fill_kpa: float | None
    height_m: float | None
    air_temperature_c: float | None
    pressure_hpa: float | None
    line: int
    flags: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Injection:
    """One injection of a run.

    Attributes
    ----------
    sequence : float
        Its place in the run.
    vial, standard, campaign : str or None
        Which vial, or which standard gas; which table of vials it is from.
    injected_us : int or None
        [µs]
    values : mapping of str to float
        Channel → what the detector showed, in the channel's unit.
    line : int
        Of the table.
    """

    sequence: float
    vial: str | None
    standard: str | None
    campaign: str | None
    injected_us: int | None
    values: Mapping[str, float]
    line: int


@dataclass(frozen=True, slots=True)
class ManualTable:
    """One table: what it is, what it says, the rows that could not be understood, and what
    is said of numbers that cannot be right.
    """

    kind: Kind
    name: str
    samples: tuple[VialSample, ...] = ()
    injections: tuple[Injection, ...] = ()
    rejects: tuple[Reject, ...] = field(default=())
    odd: tuple[str, ...] = ()


def table_text(name: str, raw: bytes) -> str:
    """The text of a table.

    Raises
    ------
    SourceError
        It is too large, or not UTF-8 text.
    """
    if len(raw) > MAX_BYTES:
        raise SourceError(f"{name}: over {MAX_BYTES} bytes; a table of vials or of a run is small")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = "\0"
    if "\0" in text:
        raise SourceError(f"{name}: not UTF-8 text; save the table as CSV in UTF-8")
    return text


def read_table(station: Station, name: str, text: str) -> ManualTable:
    """Read a table of vials or of a run.

    Parameters
    ----------
    station : Station
        For chambers, standards, channels and clock.
    name : str
        Of the table, which is known by it.
    text : str
        All of it.

    Raises
    ------
    SourceError
        It is neither, or lacks a column.
    """
    kind = kind_of_table(text.encode())
    if kind is None:
        raise SourceError(
            f"{name}: neither a table of vials (columns chamber, closed_at, sampled_at, vial) nor"
            " of a run (sequence, vial, standard and the channels of the gases)"
        )
    delimiter, columns, decimal = _written(name, text)
    needed = ("chamber", "closed_at") if kind == "vials" else ("standard",)
    for column in needed:
        if column not in columns:
            raise SourceError(f"{name}: no column {column!r} in its header; add it")
    try:
        rows = list(_rows(text, columns, delimiter))
    except csv.Error as error:
        raise SourceError(f"{name}: cannot be read as a table: {error}") from None
    cells = _Cells(decimal, LoggerClock(read_clock(station.station.clock)))
    rejects: list[Reject] = []

    def each(read: Callable[[dict[str, str], int], T | None]) -> Iterator[T]:
        for line, row, raw in rows:
            try:
                found = read(row, line)
            except RecordError as error:
                rejects.append(refusal(name, line, str(error), raw.encode()))
                continue
            if found is not None:
                yield found

    if kind == "vials":
        by_hand = {
            c.id for c in station.chambers if station.analyzer(c.analyzer).sampling == "vials"
        }
        closed: dict[str, int] = {}
        samples = tuple(each(lambda row, line: _sample(row, line, cells, by_hand, closed)))
        odd = tuple(f"{name}: {text}" for text in cells.odd)
        return ManualTable(kind, name, samples=samples, rejects=tuple(rejects), odd=odd)
    analyzers = [a for a in station.analyzers if a.sampling == "vials"]
    channels = {c for a in analyzers for c in a.gases.values()} & set(columns)
    if not channels:
        wanted = ", ".join(c for a in analyzers for c in a.gases.values()) or "none is set up"
        raise SourceError(f"{name}: no column of a channel of vials ({wanted}); name one so")
    standards = {str(s.name) for a in analyzers for s in a.standards}
    injections = tuple(each(lambda row, line: _injection(row, line, cells, channels, standards)))
    return ManualTable(kind, name, injections=injections, rejects=tuple(rejects))


def _written(name: str, text: str) -> tuple[str, tuple[str, ...], str]:
    """Delimiter, columns and decimal mark of a table."""
    lines = [line for line in text.splitlines() if line.strip()]
    delimiter = max((",", ";", "\t"), key=lines[0].count)
    try:
        cells = next(csv.reader([lines[0]], delimiter=delimiter))
    except csv.Error:
        raise SourceError(f"{name}: the quotes of its header do not close") from None
    columns = tuple(cell.strip() for cell in cells)
    for column in columns:
        if column and columns.count(column) > 1:
            raise SourceError(f"{name}: the column {column!r} appears twice in its header")
    comma = delimiter == ";" and any("," in line for line in lines[1:])
    return delimiter, columns, "," if comma else "."


def _rows(
    text: str, columns: tuple[str, ...], delimiter: str
) -> Iterator[tuple[int, dict[str, str], str]]:
    """(line, cells, text) of each row that is not empty."""
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    reader = csv.reader(io.StringIO(plain), delimiter=delimiter)
    next(reader, None)
    for cells in reader:
        if any(cell.strip() for cell in cells):
            padded = [*cells, *[""] * (len(columns) - len(cells))]
            row = {c: v.strip() for c, v in zip(columns, padded, strict=False) if c}
            yield reader.line_num, row, delimiter.join(cells)


@dataclass(slots=True)
class _Cells:
    """Reads cells of one table."""

    decimal: str
    clock: LoggerClock
    odd: list[str] = field(default_factory=list)
    """What is said of numbers that cannot be right."""

    def size(
        self, row: dict[str, str], line: int, column: str, size: Size, flag: str, flags: set[str]
    ) -> float | None:
        """A number of a headspace; None where it cannot be right, which a flag tells."""
        value = self.number(row, column, above=0.0 if size.low > 0.0 else None)
        if math.isnan(value):
            return None
        if not size.cannot_be(value):
            return value
        meant = size.likely(value)
        self.odd.append(
            f"line {line}: {column} {value:g} cannot be right"
            + (f"; {meant}. Use {size.unit}" if meant else f". Use {size.unit}")
            + " and load the table again"
        )
        flags.add(flag)
        return None

    def number(self, row: dict[str, str], column: str, *, above: float | None = None) -> float:
        """A number, NaN for an empty cell."""
        text = row.get(column, "")
        if not text:
            return math.nan
        try:
            value = float(text.replace(self.decimal, "."))
        except ValueError:
            raise RecordError(f"{column}: {text[:40]!r} is not a number") from None
        if not math.isfinite(value) or (above is not None and not value > above):
            limit = "a finite number" if above is None else f"above {above:g}"
            raise RecordError(f"{column}: {text[:40]!r} must be {limit}")
        return value

    def time(self, row: dict[str, str], column: str) -> int | None:
        """A time in UTC [µs], None for an empty cell; with a column ``date`` the time of day
        is enough.
        """
        text = row.get(column, "")
        if not text:
            return None
        if row.get("date") and ":" in text and "-" not in text[:10]:
            text = f"{row['date']}T{text if text[1:2] != ':' else '0' + text}"
        try:
            when, local = parse_time(text)
        except RecordError as error:
            raise RecordError(f"{column}: {error}") from None
        if local:
            when = int(self.clock.to_utc(np.array([when], dtype=np.int64))[0])
        if not EARLIEST <= when < LATEST:
            raise RecordError(f"{column}: {text[:40]!r} is before 2000 or after 2100")
        return when


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value


def _sample(
    row: dict[str, str], line: int, cells: _Cells, chambers: set[str], before: dict[str, int]
) -> VialSample | None:
    """One vial; ``before`` has the last time at which each lid closed, for rows that leave
    it out.
    """
    closed, sampled = cells.time(row, "closed_at"), cells.time(row, "sampled_at")
    opened = cells.time(row, "opened_at")
    if closed is not None:
        before[row.get("chamber", "")] = closed
    if sampled is None:
        return None  # a line of the round's sheet whose sample was not taken
    chamber = row.get("chamber", "")
    if chamber not in chambers:
        known = ", ".join(sorted(chambers)) or "none in the station file"
        raise RecordError(f"chamber: {chamber!r} is not sampled into vials; they are {known}")
    if not row.get("vial"):
        raise RecordError("vial: empty, though a sample was taken")
    closed = before.get(chamber)
    if closed is None:
        raise RecordError("closed_at: empty, though a sample was taken")
    if not closed <= sampled <= closed + _LONGEST_US:
        raise RecordError("sampled_at: not within a day after closed_at")
    if opened is not None and not sampled <= opened <= closed + _LONGEST_US:
        raise RecordError("opened_at: before sampled_at, or over a day after closed_at")
    flags: set[str] = set()
    height = cells.size(row, line, "height_m", HEIGHT, "height_implausible", flags)
    warm = cells.size(
        row, line, "air_temperature_c", AIR_TEMPERATURE, "temperature_implausible", flags
    )
    pressure = cells.size(row, line, "pressure_hpa", AIR_PRESSURE, "pressure_implausible", flags)
    return VialSample(
        chamber=chamber,
        vial=row["vial"],
        closed_us=closed,
        sampled_us=sampled,
        opened_us=opened,
        dilution=_known(cells.number(row, "dilution", above=0.0)),
        sample_ml=_known(cells.number(row, "sample_ml", above=0.0)),
        vial_ml=_known(cells.number(row, "vial_ml", above=0.0)),
        fill_kpa=_known(cells.number(row, "fill_kpa", above=-1e-9)),
        height_m=height,
        air_temperature_c=warm,
        pressure_hpa=pressure,
        line=line,
        flags=frozenset(flags),
    )


def _injection(
    row: dict[str, str], line: int, cells: _Cells, channels: set[str], standards: set[str]
) -> Injection | None:
    vial, standard = row.get("vial") or None, row.get("standard") or None
    if (vial is None) == (standard is None):
        raise RecordError("one of vial and standard must be given, and not both")
    if standard is not None and standard not in standards:
        known = ", ".join(sorted(standards)) or "none in the station file"
        raise RecordError(f"standard: {standard!r} is not known; they are {known}")
    sequence = cells.number(row, "sequence")
    if math.isnan(sequence):
        raise RecordError("sequence: empty; it is the place in the run")
    values = {c: cells.number(row, c) for c in sorted(channels)}
    return Injection(
        sequence=sequence,
        vial=vial,
        standard=standard,
        campaign=row.get("campaign") or None,
        injected_us=cells.time(row, "injected_at"),
        values={c: v for c, v in values.items() if not math.isnan(v)},
        line=line,
    )
