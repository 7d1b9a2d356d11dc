"""One tidy batch of records: sorted, de-duplicated, clock-checked, units named.

A record is (channel, time, value). A batch lays records out as a table, one row a
time and one column a channel; NaN stands where a channel has no record at a time.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.times import EARLIEST, LATEST, SECOND, rfc3339

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]
"""Times as microseconds since 1970-01-01T00:00:00Z."""

_STRAY_US: Final = 3 * 3600 * SECOND
MAX_REJECT_TEXT: Final = 500

SET_BACK: Final = "set_back"
REPEATED_HOUR: Final = "repeated_hour"
WRITTEN_TWICE: Final = "written_twice"
OFF: Final = "off"


@dataclass(frozen=True, slots=True)
class Reject:
    """A line or record that could not be taken, with the reason."""

    source: str
    line: int
    reason: str
    text: str
    at_us: int | None = None
    """Time of a record that disagrees with another of the same channel and time."""
    early: tuple[int, int, str] | None = None
    """Of a row that may have been refused for no fault of its own: its time and its arrival
    by this computer's clock [µs], and its records as JSON."""


def refusal(source: str, line: int, reason: str, raw: bytes) -> Reject:
    """A reject of raw bytes, as text that every database takes."""
    text = plain_text(raw[: 4 * MAX_REJECT_TEXT]).strip("\r\n")[:MAX_REJECT_TEXT]
    return Reject(source, line, plain_text(reason.encode("utf-8", "surrogateescape")), text)


def plain_text(raw: bytes) -> str:
    """Bytes as text that every database and screen takes: UTF-8 without a NUL, and what is
    not written as ``\\xe9``.
    """
    return raw.decode("utf-8", "backslashreplace").replace("\0", "\\x00")


def refused_batch(source: str, line: int, reason: str, raw: bytes) -> "Batch":
    """A batch of nothing but one reject."""
    nothing = np.empty(0, np.int64)
    return tidy(source, nothing, {}, nothing, [refusal(source, line, reason, raw)])


@dataclass(frozen=True, slots=True)
class UntrustedTimes:
    """Rows whose times are in doubt.

    Attributes
    ----------
    kind : str
        ``set_back``: written behind later times in the same file; ``repeated_hour``: in
        the hour that the end of summer time repeats; ``written_twice``: other values of
        the same time are recorded already; ``off``: far from the time of arrival.
    times : ndarray of int64, shape (n,)
        Increasing [µs].
    shift_s : ndarray, shape (n,)
        By how much [s], NaN where unknown.
    """

    kind: str
    times: Micros
    shift_s: Floats


@dataclass(frozen=True, slots=True)
class DateOrderKept:
    """How dates like 03.04.2026 of a source are read, settled once.

    Attributes
    ----------
    source : str
        Folder and pattern of the source, as the station file writes them.
    shape : str
        How the dates are written: ``.4`` for 03.04.2026.
    date_order : str
        ``dmy``, ``mdy`` or ``ymd``.
    """

    source: str
    shape: str
    date_order: str


@dataclass(frozen=True, slots=True)
class Batch:
    """Records of one source.

    Attributes
    ----------
    source : str
        Name of the file or topic.
    channels : tuple of str
        Columns.
    times : ndarray of int64, shape (n,)
        Strictly increasing [µs since 1970, UTC].
    values : ndarray, shape (n, channels)
        In the channels' own units; NaN where there is no record. Column order.
    lines : ndarray of int64, shape (n,)
        Line of the source that a row came from, counted from 1.
    rejects : tuple of Reject
        What goes to quarantine.
    untrusted : tuple of UntrustedTimes
        Times that the source\'s clock casts doubt on.
    settled : DateOrderKept or None
        What reading these records settled for all of the source that is to come.
    """

    source: str
    channels: tuple[str, ...]
    times: Micros
    values: Floats
    lines: Micros
    rejects: tuple[Reject, ...] = ()
    untrusted: tuple[UntrustedTimes, ...] = ()
    settled: DateOrderKept | None = None
    early: tuple[str, ...] = ()
    """Keys of lines in quarantine that these records are taken from."""

    def __len__(self) -> int:
        return len(self.times)

    @property
    def records(self) -> int:
        """Number of records: cells that are not empty."""
        return self.values.size - sum(
            int(np.count_nonzero(np.isnan(self.values[:, j]))) for j in range(len(self.channels))
        )


def tidy(
    source: str,
    times: Micros,
    columns: Mapping[str, Floats],
    lines: Micros,
    rejects: Sequence[Reject] = (),
) -> Batch:
    """Make a batch of rows in any order.

    Parameters
    ----------
    source : str
        Name of the file or topic.
    times : ndarray of int64, shape (n,)
        [µs since 1970, UTC]
    columns : mapping of str to ndarray, shape (n,)
        Channel → values, NaN where there is none.
    lines : ndarray of int64, shape (n,)
        Line numbers.
    rejects : sequence of Reject
        What was refused before.

    Returns
    -------
    Batch
        Rows at the same time are merged. Where they disagree about a channel the
        first line stands and the other goes to quarantine; a row whose time is
        before 2000 or after 2100 goes there too.
    """
    refused = list(rejects)
    channels = tuple(columns)
    n = len(times)
    # Column by column in memory, as they are read, kept and used.
    values = np.empty((n, len(channels)), order="F")
    filled = np.zeros(n, dtype=bool)
    for j, channel in enumerate(channels):
        values[:, j] = columns[channel]
        if not filled.all():
            filled |= ~np.isnan(values[:, j])
    sane = (times >= EARLIEST) & (times < LATEST)
    if not (filled & sane).all():
        for i in np.flatnonzero(filled & ~sane):
            text = row_text(channels, values[i])
            refused.append(
                Reject(
                    source,
                    int(lines[i]),
                    f"time {_when(times[i])} is before 2000 or after 2100",
                    text,
                )
            )
        keep = filled & sane
        times, values, lines = times[keep], np.asfortranarray(values[keep]), lines[keep]
    if len(times) > 1 and not (times[1:] > times[:-1]).all():
        order = np.argsort(times, kind="stable")
        times, values, lines = times[order], np.asfortranarray(values[order]), lines[order]
        if (times[1:] == times[:-1]).any():
            times, values, lines = _merge(source, channels, times, values, lines, refused)
    return Batch(source, channels, times, values, lines, tuple(refused))


def from_cells(
    source: str,
    cells: Mapping[str, tuple[Micros, Floats]],
    line: int = 0,
    rejects: Sequence[Reject] = (),
) -> Batch:
    """Make a batch of records that came one by one.

    Parameters
    ----------
    source : str
        Name of the file or topic.
    cells : mapping of str to (times, values), each shape (n,)
        Channel → its records in the order in which they came [µs].
    line : int
        Line of the file that all came from; 0 for none.
    rejects : sequence of Reject
        What was refused before.

    Returns
    -------
    Batch
        Where a channel has two values of one time the first stands, and the other
        goes to quarantine.
    """
    refused = list(rejects)
    nothing = np.empty(0, np.int64)
    unique, place = np.unique(
        np.concatenate([nothing, *(times for times, _ in cells.values())]), return_inverse=True
    )
    columns: dict[str, Floats] = {}
    at = 0
    for channel, (times, values) in cells.items():
        mine = place[at : at + len(times)]
        at += len(times)
        column = np.full(len(unique), np.nan)
        if len(mine) > 1 and not (mine[1:] > mine[:-1]).all():
            rows, first = np.unique(mine, return_index=True)
            column[rows] = values[first]
            for i in np.flatnonzero(values != column[mine]):
                stands = column[mine[i]]
                refused.append(disagreement(source, line, channel, times[i], values[i], stands))
        else:
            column[mine] = values
        columns[channel] = column
    return tidy(source, unique, columns, np.full(len(unique), line, dtype=np.int64), refused)


def together(source: str, batches: Sequence[Batch]) -> Batch:
    """Several small batches of one source as one, as if their rows had come together."""
    channels = list(dict.fromkeys(c for b in batches for c in b.channels))
    total = sum(len(b) for b in batches)
    columns = {channel: np.full(total, np.nan) for channel in channels}
    at = 0
    for batch in batches:
        for j, channel in enumerate(batch.channels):
            columns[channel][at : at + len(batch)] = batch.values[:, j]
        at += len(batch)
    nothing = np.empty(0, np.int64)
    return tidy(
        source,
        np.concatenate([nothing, *(b.times for b in batches)]),
        columns,
        np.concatenate([nothing, *(b.lines for b in batches)]),
        [r for b in batches for r in b.rejects],
    )


def times_set_back(times: Micros, latest_us: int, tolerance_us: int) -> UntrustedTimes | None:
    """Rows that stand behind later ones by more than a tolerance; not those that repeat a
    time, since loggers repeat their lines.

    Parameters
    ----------
    times : ndarray of int64, shape (n,)
        In the order in which they were written [µs].
    latest_us : int
        Latest time written before [µs].
    tolerance_us : int
        [µs]
    """
    if not len(times):
        return None
    latest = np.maximum(np.maximum.accumulate(without_strays(times, latest_us)), latest_us)
    behind = latest - times
    if not (behind > tolerance_us).any():
        return None
    unique, first = np.unique(times, return_index=True)
    found = behind[first] > tolerance_us
    if not found.any():
        return None
    return UntrustedTimes(SET_BACK, unique[found], behind[first[found]] / SECOND)


def without_strays(times: Micros, latest_us: int) -> Micros:
    """Times as written, those that stray left out of account.

    A row over three hours ahead of the one before it (no summer time sets clocks by as much)
    counts only if the next one is there too, so that one wrong row casts doubt on no others.
    Takes and gives [µs], shape (n,), in the order of writing; the row before a stray stands
    in its place. ``latest_us`` is far in the past where nothing was written before.
    """
    if len(times) < 2 and latest_us < EARLIEST:
        return times
    before = latest_us if latest_us >= EARLIEST else int(times[1])
    previous = np.concatenate(([before], times[:-1]))
    following = np.append(times[1:], before)
    stray = (times - previous > _STRAY_US) & (times - following > _STRAY_US)
    return np.where(stray, previous, times) if stray.any() else times


def _merge(
    source: str,
    channels: tuple[str, ...],
    times: Micros,
    values: Floats,
    lines: Micros,
    refused: list[Reject],
) -> tuple[Micros, Floats, Micros]:
    """Join rows of the same time; ``refused`` gains what disagrees."""
    unique, first_row, group = np.unique(times, return_index=True, return_inverse=True)
    merged = np.full((len(unique), len(channels)), np.nan, order="F")
    for j, channel in enumerate(channels):
        rows = np.flatnonzero(~np.isnan(values[:, j]))
        groups, first = np.unique(group[rows], return_index=True)
        merged[groups, j] = values[rows[first], j]
        clash = rows[values[rows, j] != merged[group[rows], j]]
        for i in clash:
            stands = merged[group[i], j]
            refused.append(
                disagreement(source, int(lines[i]), channel, times[i], values[i, j], stands)
            )
    return unique, merged, lines[first_row]


def disagreement(
    source: str, line: int, channel: str, time: int, value: float, stands: float
) -> Reject:
    """A record that differs from one already taken for the same channel and time."""
    return Reject(
        source,
        line,
        f"{channel} at {_when(time)} is already recorded as {float(stands)!r}; the first stands",
        f"{channel}={float(value)!r}",
        int(time),
    )


def row_text(channels: tuple[str, ...], row: Floats) -> str:
    """The records of a row as text for quarantine."""
    cells = [f"{c}={float(v)!r}" for c, v in zip(channels, row, strict=True) if not np.isnan(v)]
    return ",".join(cells)[:MAX_REJECT_TEXT]


def _when(time: int) -> str:
    seconds, micros = divmod(int(time), SECOND)
    if not -62_135_596_800 <= seconds < 253_402_300_800:
        return f"{seconds} s since 1970"
    return rfc3339(seconds * SECOND + micros)
