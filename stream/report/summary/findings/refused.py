"""Refused lines that may hold what a silence lacks: then the file is the cause, not the power."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Any, Final

from stream.ingest.refusals import NOTICE

_YEAR_FIRST: Final = re.compile(r"(?<!\d)(20\d\d)[-_./]?([01]\d)[-_./]?([0-3]\d)(?!\d)")
_YEAR_LAST: Final = re.compile(r"(?<!\d)([0-3]?\d)[-./]([0-3]?\d)[-./](20\d\d)(?!\d)")
_RECORDED: Final = "is already recorded as"
"""Such a line lacks nothing: the record of its time is there."""
_CONTRADICTS: Final = re.compile(rf"(.+) at (\d\S+Z) {_RECORDED} ")


@dataclass(frozen=True, slots=True)
class RefusedSource:
    """Refused lines of one file or topic.

    Attributes
    ----------
    source : str
    lines : int
        How many; 0 where the whole file was refused.
    reason : str
        Of the first.
    days : frozenset of date
        Days that its lines or its name speak of; empty where none can be read.
    """

    source: str
    lines: int
    reason: str
    days: frozenset[date]

    def told(self) -> str:
        """For people."""
        if not self.lines:
            return f"{self.source} was refused ({self.reason})"
        many = f"{self.lines} line{'s' if self.lines > 1 else ''}"
        was = "were" if self.lines > 1 else "was"
        return f"{many} of {self.source} {was} refused (first: {self.reason})"


def by_source(rows: Iterable[Mapping[str, Any]]) -> list[RefusedSource]:
    """Refused lines by where they stand, the most first; whole files before all.

    Parameters
    ----------
    rows : iterable of mapping
        With ``source``, ``line``, ``reason`` and ``text``.
    """
    lines: dict[str, int] = {}
    whole: set[str] = set()
    first: dict[str, str] = {}
    days: dict[str, set[date]] = {}
    for row in rows:
        if NOTICE in row["reason"] or _RECORDED in row["reason"]:
            continue
        source = row["source"]
        first.setdefault(source, row["reason"])
        lines[source] = lines.get(source, 0) + bool(row["line"])
        if not row["line"]:
            whole.add(source)
            first[source] = row["reason"]
        days.setdefault(source, set()).update(_days(row["text"]))
    found = [
        RefusedSource(
            s, 0 if s in whole else n, first[s], frozenset(days[s] or _days(s.rsplit("/", 1)[-1]))
        )
        for s, n in lines.items()
    ]
    return sorted(found, key=lambda r: (r.lines > 0, -r.lines, r.source))


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Lines of one file or topic that have other values for times that are recorded already.

    Attributes
    ----------
    source, channel : str
        Where they stand, and the channel of the first.
    lines : int
        How many.
    reason : str
        Of the first.
    first_us, last_us : int
        Times that they speak of [µs].
    """

    source: str
    channel: str
    lines: int
    reason: str
    first_us: int
    last_us: int


def contradictions(
    rows: Iterable[Mapping[str, Any]], first_us: int, stop_us: int
) -> list[Contradiction]:
    """Of a period, by where they stand.

    Parameters
    ----------
    rows : iterable of mapping
        As of :func:`by_source`.
    first_us, stop_us : int
        The period [µs].
    """
    lines: dict[str, set[int]] = {}
    first: dict[str, tuple[str, str]] = {}
    times: dict[str, list[int]] = {}
    for row in rows:
        told = _CONTRADICTS.match(row["reason"])
        if told is None:
            continue
        at_us = round(datetime.fromisoformat(told[2]).timestamp() * 1e6)
        if first_us <= at_us < stop_us:
            source = row["source"]
            first.setdefault(source, (told[1], row["reason"]))
            lines.setdefault(source, set()).add(row["line"])
            times.setdefault(source, []).append(at_us)
    return [
        Contradiction(s, first[s][0], len(n), first[s][1], min(times[s]), max(times[s]))
        for s, n in sorted(lines.items())
    ]


def behind(
    refused: Sequence[RefusedSource], first_us: int, stop_us: int, clock: tzinfo, *, fresh: bool
) -> list[RefusedSource]:
    """Those that may hold the records of a silence.

    Parameters
    ----------
    refused : sequence of RefusedSource
    first_us, stop_us : int
        The silence [µs].
    clock : tzinfo
        Of the loggers.
    fresh : bool
        Whether lines were refused since the summary before, or nobody knows: then those that
        speak of no day may be meant.
    """
    day = datetime.fromtimestamp(first_us / 1e6, UTC).astimezone(clock).date()
    last = datetime.fromtimestamp((stop_us - 1) / 1e6, UTC).astimezone(clock).date()
    silent = {day + timedelta(days=i) for i in range((last - day).days + 1)}
    dated = [r for r in refused if r.days & silent]
    return dated or [r for r in refused if fresh and not r.days]


def _days(text: str) -> set[date]:
    """Days that a text names; of an order that nobody can tell, both."""
    found = [(int(y), int(m), int(d)) for y, m, d in _YEAR_FIRST.findall(text)]
    for a, b, y in _YEAR_LAST.findall(text):
        found += [(int(y), int(b), int(a)), (int(y), int(a), int(b))]
    days = set()
    for y, m, d in found:
        try:
            days.add(date(y, m, d))
        except ValueError:
            continue
    return days
