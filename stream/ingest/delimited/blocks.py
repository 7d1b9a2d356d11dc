"""A whole block of lines at once, where all of them are plainly good."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import compute
from pyarrow import csv as arrow_csv

from stream.errors import RecordError
from stream.ingest.delimited.cells import as_text, split_line
from stream.ingest.delimited.layout import Layout
from stream.ingest.delimited.lines import LineReader
from stream.ingest.times.time_columns import numbers_to_micros, parse_column
from stream.ingest.times.timestamps import kind_of
from stream.ingest.times.zones import UnknownZone, zone_to_utc

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]

_ARROW_TIMES: Final = {
    "offset": pa.timestamp("ns", tz="UTC"),
    "local": pa.timestamp("ns"),
}
_MOST_WORDS: Final = 100


def read_alike(
    block: bytes, lines: LineReader
) -> tuple[Micros, NDArray[np.bool_], dict[str, Floats]] | None:
    """Read a block as :meth:`LineReader.read` reads its lines, many times as fast.

    Parameters
    ----------
    block : bytes
        Whole lines.
    lines : LineReader
        The rules, and the layout in force.

    Returns
    -------
    tuple or None
        Times [µs], whether they are local, and values by channel; None where any line
        needs a closer look.
    """
    layout = lines.layout
    first = block.lstrip(b"\r\n")
    sample = as_text(first[: first.find(b"\n")])
    cells = split_line(sample, layout.delimiter)
    surplus = len(cells) - len(layout.header)
    fraction = surplus == 1 and layout.surplus == 0 and _has_fraction(cells, lines)
    ends = surplus == (layout.surplus or 0) and not any(cells[len(layout.header) :])
    if not (fraction or surplus == 0 or ends):
        return None
    kind = "stamp" if fraction else _time_kind(layout, cells, lines)
    if not kind:
        return None
    table = _parse(block, lines, cells, kind, fraction=fraction)
    if table is None:
        return None
    found = _times(table, lines, kind)
    if found is None:
        return None
    values = _values(table, lines)
    if values is None:
        return None
    times, local = found
    if lines.is_utc:
        return times, np.zeros_like(local), values
    by_zone = _by_zone(table, lines, times, local)
    return None if by_zone is None else (*by_zone, values)


def _has_fraction(cells: list[str], lines: LineReader) -> bool:
    """Whether a comma before the fraction of a second cuts every time in two, and no column
    is there that could hold a comma instead.
    """
    layout = lines.layout
    apart = [at for at in (layout.date, layout.zone) if at is not None]
    known = len(set(layout.channels.values())) + 1 + len(apart)
    after = cells[layout.time + 1] if layout.time + 1 < len(cells) else ""
    points = (lines.source.decimal or layout.decimal) == "."
    plain = layout.delimiter == "," and known == len(layout.header) and points
    return plain and ":" in cells[layout.time] and after.isascii() and after.isdigit()


def _time_kind(layout: Layout, cells: list[str], lines: LineReader) -> str:
    if lines.source.time_format is not None or layout.date is not None:
        return "stamp"
    return kind_of(cells[layout.time])


def _parse(
    block: bytes, lines: LineReader, cells: list[str], kind: str, *, fraction: bool
) -> pa.Table | None:
    layout = lines.layout
    decimal = lines.source.decimal or layout.decimal
    # Where nothing has shown the decimal mark yet, only whole numbers are plainly good; the
    # library's whole numbers may be hexadecimal too.
    if decimal is None and (b"0x" in block or b"0X" in block):
        return None
    number = pa.int64() if decimal is None else pa.float64()
    types: dict[str, Any] = {"time": _ARROW_TIMES.get(kind, pa.string())}
    names = [f"\0{i}" for i in range(len(layout.header))]
    names[layout.time] = "time"
    if layout.date is not None:
        names[layout.date] = "date"
        types["date"] = pa.string()
    if layout.zone is not None:
        names[layout.zone] = "zone"
        types["zone"] = pa.string()
    for at, channels in _by_place(layout).items():
        names[at] = f"={at}"
        cell = cells[at + (fraction and at > layout.time)]
        types[names[at]] = pa.string() if _has_words(channels, cell, lines) else number
    wanted = list(types)
    if fraction:
        names.insert(layout.time + 1, "fraction")
        types["fraction"] = pa.string()
        wanted.append("fraction")
    for i in range(len(names), len(cells)):
        names.append(f"\0{i}")
        types[f"\0{i}"] = pa.null()
        wanted.append(f"\0{i}")
    if not set(types) <= set(names):
        return None  # one column of a channel and of the time
    if layout.delimiter == " ":
        block = _one_blank(block)
    try:
        return arrow_csv.read_csv(
            pa.BufferReader(block),
            read_options=arrow_csv.ReadOptions(column_names=names),
            parse_options=arrow_csv.ParseOptions(delimiter=layout.delimiter),
            convert_options=arrow_csv.ConvertOptions(
                column_types=types,
                include_columns=wanted,
                null_values=list(lines.missing),
                decimal_point=decimal or ".",
                strings_can_be_null=False,
            ),
        )
    except (pa.ArrowInvalid, pa.ArrowKeyError):
        return None


def _by_place(layout: Layout) -> dict[int, list[str]]:
    """Place of a column → its channels: several lids may stand in one."""
    places: dict[int, list[str]] = {}
    for channel, at in layout.channels.items():
        places.setdefault(at, []).append(channel)
    return places


def _has_words(channels: Sequence[str], cell: str, lines: LineReader) -> bool:
    """Whether a column is one of words, by its first cell; or may have cells without a value
    that mean something.
    """
    none = {word.lower() for word in lines.missing}
    return any(
        cell.lower() in lines.states[channel] or not none.isdisjoint(lines.states[channel])
        for channel in channels
    )


def _one_blank(block: bytes) -> bytes:
    """Runs of blanks as one, none at the ends of lines."""
    rows = [b" ".join(row.split()) for row in block.split(b"\n")]
    return b"\n".join(rows)


def _times(
    table: pa.Table, lines: LineReader, kind: str
) -> tuple[Micros, NDArray[np.bool_]] | None:
    column = table.column("time").combine_chunks()
    if column.null_count:
        return None
    n = len(column)
    if kind == "stamp":
        column = compute.utf8_trim_whitespace(column)
        if "fraction" in table.column_names:
            part = compute.utf8_trim_whitespace(table.column("fraction").combine_chunks())
            digits = compute.match_substring_regex(part, "^[0-9]+$")
            if not compute.all(digits).as_py() or not _all_have(column, ":"):
                return None
            column = compute.binary_join_element_wise(column, part, ",")
        if lines.layout.date is not None:
            dates = compute.utf8_trim_whitespace(table.column("date").combine_chunks())
            column = compute.binary_join_element_wise(dates, column, " ")
        return parse_column(_chunk(column), lines.order, lines.source.time_format)
    if kind == "epoch":
        found = _counts(compute.utf8_trim_whitespace(column))
        return None if found is None else (found[0], np.full(n, found[1]))
    times = column.cast(pa.int64()).to_numpy() // 1000
    return times, np.full(n, kind == "local")


def _by_zone(
    table: pa.Table, lines: LineReader, times: Micros, local: NDArray[np.bool_]
) -> tuple[Micros, NDArray[np.bool_]] | None:
    """Times and whether they are still local, once a column of zones has spoken."""
    if lines.layout.zone is None or not local.any():
        return times, local
    coded = compute.utf8_trim_whitespace(_chunk(table.column("zone"))).dictionary_encode()
    words, which = coded.dictionary.to_pylist(), coded.indices.to_numpy()
    times, local = times.copy(), local.copy()
    for k, word in enumerate(words):
        rows = np.flatnonzero(local & (which == k))
        if word in lines.missing or not len(rows):
            continue
        try:
            utc = zone_to_utc(word, lines.clock, times[rows])
        except UnknownZone:
            return None
        if utc is not None:
            times[rows], local[rows] = utc, False
    return times, local


def _counts(column: pa.Array) -> tuple[Micros, bool] | None:
    """Times as plain numbers; one with an exponent has lost its digits."""
    plain = compute.match_substring_regex(column, r"^-?[0-9]{1,19}([.,][0-9]*)?$")
    if not compute.all(plain).as_py():
        return None
    numbers = compute.cast(compute.replace_substring(column, ",", "."), pa.float64())
    return numbers_to_micros(numbers.to_numpy(zero_copy_only=False))


def _all_have(column: pa.Array, sign: str) -> bool:
    return bool(compute.all(compute.match_substring(column, sign)).as_py())


def _chunk(column: pa.Array | pa.ChunkedArray) -> pa.Array:
    return column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column


def _values(table: pa.Table, lines: LineReader) -> dict[str, Floats] | None:
    values = {}
    for at, channels in _by_place(lines.layout).items():
        column = table.column(f"={at}")
        if pa.types.is_string(column.type):
            coded = _chunk(column).dictionary_encode()
            for channel in channels:
                read = _words(channel, coded, lines)
                if read is None:
                    return None
                values[channel] = read
            continue
        found = column.to_numpy()
        if found.dtype.kind == "i":
            found = found.astype(np.float64)
        with np.errstate(invalid="ignore", over="ignore"):
            total = found.sum()
        # A sum that is finite says that all are.
        if not np.isfinite(total):
            if np.isinf(found).any():
                return None
            # Of "-nan" and its kin the library makes what an empty cell is; they are refused.
            if np.isnan(found).sum() > column.null_count:
                return None
        values |= {channel: lines.wanted[channel].meant(found) for channel in channels}
    return {channel: values[channel] for channel in lines.layout.channels}


def _words(channel: str, coded: pa.DictionaryArray, lines: LineReader) -> Floats | None:
    """A column of states in words: each word is read once."""
    if len(coded.dictionary) > _MOST_WORDS:
        return None
    decimal = lines.source.decimal or lines.layout.decimal
    if decimal is None and any(c in str(w) for w in coded.dictionary for c in ".,"):
        return None
    try:
        numbers = [lines.number(channel, str(word).strip()) for word in coded.dictionary]
    except RecordError:
        return None
    return np.asarray(np.array(numbers, dtype=np.float64)[coded.indices.to_numpy()])
