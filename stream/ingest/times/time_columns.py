"""Whole columns of times at once, as `timestamps.parse_time` reads each."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from stream.errors import RecordError
from stream.ingest.times.timestamps import (
    FIRST_S,
    LAST_S,
    SCALES,
    SPREADSHEET,
    DateOrder,
    match_stamp,
    numbers_of,
    parse_time,
)
from stream.times import SECOND

Micros = NDArray[np.int64]


def epoch_to_micros(seconds: NDArray[np.float64]) -> Micros:
    """Epoch seconds, with any fraction, to the nearest microsecond."""
    return np.asarray(np.rint(seconds * SECOND).astype(np.int64))


def numbers_to_micros(counts: NDArray[np.float64]) -> tuple[Micros, bool] | None:
    """A column of numbers as times, each by its size as :func:`parse_time` reads it.

    Returns
    -------
    tuple or None
        Microseconds and whether they are local; None where sizes differ, or are so
        large that a float does not hold them.
    """
    if not len(counts):
        return None
    low, high = float(counts.min()), float(counts.max())
    if SPREADSHEET[0] <= low and high < SPREADSHEET[1]:
        days = np.rint((counts - 25_569.0) * 86_400_000.0)
        return days.astype(np.int64) * 1000, True
    whole = bool((counts == np.floor(counts)).all())
    for per_second, micros in SCALES[1:]:
        if FIRST_S * per_second <= low and high < LAST_S * per_second and whole:
            return counts.astype(np.int64) * micros, False
    if low > -1e11 and high < 1e11 and not (low < SPREADSHEET[1] and high >= SPREADSHEET[0]):
        return epoch_to_micros(counts), False
    return None


def parse_column(
    cells: pa.Array, order: DateOrder | None, form: str | None
) -> tuple[Micros, NDArray[np.bool_]] | None:
    """Read a whole column of times, as :func:`parse_time` reads each.

    Cells that have their digits in the same places are read together.

    Parameters
    ----------
    cells : pyarrow.Array of str, shape (n,)
    order, form
        See :func:`parse_time`.

    Returns
    -------
    tuple of ndarray, shape (n,), or None
        Microseconds and whether they are local; None where a cell is not plainly a time.
    """
    n = len(cells)
    times = np.empty(n, dtype=np.int64)
    local = np.empty(n, dtype=bool)
    ends = np.frombuffer(cells.buffers()[1], np.int32)[cells.offset : cells.offset + n + 1]
    if n == 0 or cells.null_count:
        return None
    content = np.frombuffer(cells.buffers()[2], np.uint8)
    lengths = np.diff(ends)
    for length in np.unique(lengths):
        rows = np.flatnonzero(lengths == length)
        if length == 0 or length > 40:
            return None
        table = content[ends[rows][:, None] + np.arange(length)]
        for group, letters in _shapes(table):
            read = _read_alike(letters, order, form)
            if read is None:
                return None
            times[rows[group]], local[rows[group]] = read
    return times, local


def _shapes(table: NDArray[np.uint8]) -> Iterator[tuple[NDArray[np.intp], NDArray[np.uint8]]]:
    """Rows with the same letters in the same places, digits aside."""
    digits = (table >= 48) & (table <= 57)
    shape = np.where(digits, 48, table)
    if (shape == shape[0]).all():
        yield np.arange(len(table)), table
        return
    whole = np.ascontiguousarray(shape).view(f"V{shape.shape[1]}").ravel()
    _, first, group = np.unique(whole, return_index=True, return_inverse=True)
    for k in range(len(first)):
        rows = np.flatnonzero(group == k)
        yield rows, table[rows]


def _read_alike(
    table: NDArray[np.uint8], order: DateOrder | None, form: str | None
) -> tuple[Micros, bool] | None:
    """Cells of one shape at once; None where any needs a closer look."""
    sample = table[0].tobytes().decode("latin-1")
    match = None if form is not None else match_stamp(sample)
    date = None if match is None else numbers_of(match)
    if match is None or date is None:
        return _one_by_one(table, order, form)
    known = order if len(date.orders) > 1 else date.orders[0]
    if known is None or known not in date.orders:
        return None

    def number(name: str) -> Micros:
        a, b = match.span(name)
        if a < 0:
            return np.zeros(len(table), dtype=np.int64)
        power = 10 ** np.arange(b - a - 1, -1, -1)
        return np.asarray((table[:, a:b].astype(np.int64) - 48) @ power)

    named = "name" in match.groupdict()
    texts = [
        number("a"),
        np.full(len(table), date.numbers[1]) if named else number("b"),
        number("c"),
    ]
    year, month, day = (texts[known.index(part)] for part in "ymd")
    year = np.where(year < 100, year + 2000, year)
    hour, minute, second = number("hour"), number("minute"), number("second")
    parts = match.groupdict()
    if parts.get("half"):
        if ((hour < 1) | (hour > 12)).any():
            return None
        hour = hour % 12 + (12 if parts["half"] in "pP" else 0)
    # The end of a day written as 24:00 is left to the careful way.
    if (hour > 23).any() or (minute > 59).any() or (second > 59).any():
        return None
    if (year < 1).any() or (month < 1).any() or (month > 12).any() or (day < 1).any():
        return None
    months = (year - 1970) * 12 + month - 1
    first = months.astype("M8[M]").astype("M8[D]").astype(np.int64)
    following = (months + 1).astype("M8[M]").astype("M8[D]").astype(np.int64)
    if (day > following - first).any():
        return None
    micros = ((first + day - 1) * 86_400 + hour * 3600 + minute * 60 + second) * SECOND
    if parts["fraction"]:
        digits = len(parts["fraction"])
        micros += number("fraction") * 10 ** (6 - digits) if digits <= 6 else (
            number("fraction") // 10 ** (digits - 6)
        )  # fmt: skip
    zone = parts["zone"]
    if zone and zone[0] in "+-":
        # Rows of one shape may still bear other offsets.
        return _one_by_one(table, order, form)
    return micros, zone is None


def _one_by_one(
    table: NDArray[np.uint8], order: DateOrder | None, form: str | None
) -> tuple[Micros, bool] | None:
    """The careful way, each distinct cell once."""
    times = np.empty(len(table), dtype=np.int64)
    local = False
    for i, row in enumerate(table):
        try:
            times[i], local = parse_time(row.tobytes().decode("latin-1"), order, form)
        except (RecordError, OverflowError):
            return None
    return times, local
