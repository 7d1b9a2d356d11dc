"""Lids over days: the wrong way round, or exchanged, and lines that lag."""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from statistics import median
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.report.summary.findings.finding import Evidence, Finding, among
from stream.science.flux.units import rule_between
from stream.science.quality.air import elevation_deg
from stream.science.quality.flags import FLAGS
from stream.station import Analyzer, Chamber
from stream.store.results.readers import Row
from stream.times import DAY, SECOND

Floats = NDArray[np.float64]

_MANY: Final = 4
_LEAST: Final = 8
_SUNNY_DEG: Final = 20.0
_WARMS_K: Final = 0.4
_CLEAR: Final = 5.0
_STUCK: Final = ("lid_stuck_closed", "lid_stuck_open", "lid_stuck_moving")
_MOVES_AGAIN: Final = (
    "The lid moves again. Find out why it stuck. Automatic lids can close without warning:"
    " isolate the drive before reaching in."
)
_FOLLOWS: Final = ("too_long", "line_shared", "no_co2_rise", "co2_falls_in_dark", "leak_suspected")
_OF_EXCHANGED: Final = (
    *("poor_fit", "no_fit", "no_co2_rise", "co2_falls_in_dark", "leak_suspected"),
    *("not_flushed", "start_off_ambient", "start_implausible", "pressure_step"),
)
"""Flags of a closure that is taken from the air of another chamber."""


def of_lids(evidence: Evidence) -> Iterator[Finding]:
    """Lids that are closed when they should be open, and lids that are exchanged."""
    turned = list(_turned(evidence))
    yield from turned
    if not turned:
        for a in evidence.station.analyzers:
            if not a.shared and a.sampling == "continuous":
                yield from _exchanged(evidence, a)


def of_stuck_lids(evidence: Evidence, gaps: Sequence[Row]) -> Iterator[Finding]:
    """What follows of a lid that stuck: its long closure, and lines shared with others."""
    by_hand = {a.id for a in evidence.station.analyzers if a.sampling == "vials"}
    interval = interval_us(evidence)
    longest = round(evidence.station.closure.max_duration_s * SECOND)
    for c in evidence.station.chambers:
        words = {r["flags"]: r["due_us"] for r in gaps if r["chamber"] == c.id}
        stuck = [w for w in _STUCK if w in words]
        if not stuck or c.analyzer in by_hand:
            continue
        due = [r["due_us"] for r in gaps if r["chamber"] == c.id and r["flags"] in _STUCK]
        mine = [r for r in evidence.todays if r["chamber"] == c.id]
        # Closures of others may have begun before it stuck.
        around = (min(due) - interval - longest, max(due) + interval)
        near = [r for r in mine if around[0] <= r["closed_us"] < around[1]]
        shared = {
            r["chamber"]
            for r in evidence.todays
            if "line_shared" in r["flags"].split() and around[0] <= r["closed_us"] < around[1]
        }
        last = max(due)
        over = any(r["closed_us"] > last and "too_long" not in r["flags"] for r in mine)
        flag = FLAGS[stuck[0]]
        state = "ended" if over else "ongoing at the end of the day"
        plural = "s" if len(due) > 1 else ""
        why = f"{stuck[0].replace('_', ' ')}, {len(due)} closure{plural} missed, {state}"
        if shared - {c.id}:
            why += f"; closures of {among(sorted(shared - {c.id}))} shared its sampling line"
        explains = {(w, c.id) for w in (*_STUCK, "too_long", "no_open_edge")}
        explains |= {("line_shared", other) for other in shared}
        if any("too_long" in r["flags"].split() for r in near):
            why += "; one closure lasted too long"
        rank = 2 if over else 1
        what = _MOVES_AGAIN if over else flag.remedy
        yield Finding(rank, c.id, what, why, frozenset(explains), (around,))


def interval_us(evidence: Evidence) -> int:
    """Usual time between closures of a chamber [µs]."""
    due = evidence.station.closure.expected_per_day
    return round(DAY / due) if due else DAY


def _spans(evidence: Evidence, chamber: str) -> list[tuple[int, int]]:
    """Closures of a chamber over the week [µs]."""
    return sorted(
        {(r["closed_us"], r["opened_us"]) for r in evidence.rows if r["chamber"] == chamber}
    )


def _turned(evidence: Evidence) -> Iterator[Finding]:
    """Lids that are closed for longer than they are open, closure after closure, and for longer
    than they should.
    """
    longest = evidence.station.closure.max_duration_s * 1e6
    found = []
    for c in evidence.station.chambers:
        spans = [s for s in _spans(evidence, c.id) if s[0] >= evidence.day.first_us]
        if c.lid_channel is None or len(spans) < _MANY:
            continue
        shut = median(b - a for a, b in spans)
        free = median(b[0] - a[1] for a, b in pairwise(spans))
        if shut > free and shut > longest:
            found.append(c.id)
    if not found:
        return
    explains = frozenset((flag, c) for flag in _FOLLOWS for c in found)
    what = "Check lid_closed and lid_open: they may be the wrong way round."
    why = "the lids are closed longer than they are open"
    yield Finding(1, among(found), what, why, explains)


def _exchanged(evidence: Evidence, a: Analyzer) -> Iterator[Finding]:
    """Two chambers of which each warms, or cools, while the lid of the other is closed.

    Of each thermometer the change over each closure by day is taken, less that of the
    thermometers of the other chambers: a lid that is closed traps the sun's warmth.
    """
    site = evidence.station.station
    if site.latitude is None or site.longitude is None:
        return
    chambers = [
        c for c in evidence.station.chambers_on(a.id) if c.air_temperature_channel is not None
    ]
    if len(chambers) < 3 or len({c.air_temperature_channel for c in chambers}) < len(chambers):
        return
    change, error = _changes(evidence, chambers)
    n = len(chambers)
    for i in range(n):
        for j in range(i + 1, n):
            across, own = (change[i, j], change[j, i]), (change[i, i], change[j, j])
            clear = all(
                x > _WARMS_K and x > _CLEAR * e
                for x, e in zip(across, (error[i, j], error[j, i]), strict=True)
            )
            if clear and all(x < 0.3 * min(across) for x in own):
                names = f"{chambers[i].id}, {chambers[j].id}"
                what = "Breathe into one chamber after the other: their lids may be exchanged."
                why = (
                    f"{chambers[i].id} warms by {change[i, j]:.1f} K while the lid of"
                    f" {chambers[j].id} is closed, and vice versa"
                )
                pair = (chambers[i].id, chambers[j].id)
                explains = frozenset((flag, c) for flag in _OF_EXCHANGED for c in pair)
                yield Finding(2, names, what, why, explains)


def _changes(evidence: Evidence, chambers: list[Chamber]) -> tuple[Floats, Floats]:
    """Of thermometer i over the closures of lid j: mean change by day [K], and its error."""
    site = evidence.station.station
    channels = [str(c.air_temperature_channel) for c in chambers]
    records = evidence.journal.read(channels, evidence.week.first_us, evidence.week.stop_us - 1)
    n = len(chambers)
    change, error = np.full((n, n), np.nan), np.full((n, n), np.inf)
    for j, lid in enumerate(chambers):
        spans = np.array(_spans(evidence, lid.id), dtype=np.int64).reshape(-1, 2)
        sun = elevation_deg(spans[:, 0], site.latitude or 0.0, site.longitude or 0.0)
        spans = spans[sun > _SUNNY_DEG]
        if len(spans) < _LEAST:
            continue
        table = np.empty((n, len(spans)))
        for i, channel in enumerate(channels):
            series = records[channel].filled()
            scale = rule_between(evidence.station.channels[channel].unit, "K")[0]
            table[i] = scale * (
                _at(series.times, series.values, spans[:, 1])
                - _at(series.times, series.values, spans[:, 0])
            )
        for i in range(n):
            others = np.delete(table, i, axis=0)
            there = ~np.isnan(table[i]) & ~np.isnan(others).all(axis=0)
            apart = table[i, there] - np.nanmedian(others[:, there], axis=0)
            if len(apart) < _LEAST:
                continue
            change[i, j] = float(np.mean(apart))
            error[i, j] = float(np.std(apart, ddof=1) / np.sqrt(len(apart)))
    return change, error


def _at(times: NDArray[np.int64], values: Floats, at: NDArray[np.int64]) -> Floats:
    """The last value before each moment, NaN where it is older than ten minutes."""
    if not len(times):
        return np.full(len(at), np.nan)
    place = np.searchsorted(times, at, side="left") - 1
    old = at - times[np.maximum(place, 0)] > 600_000_000
    return np.where((place < 0) | old, np.nan, values[np.maximum(place, 0)])
