"""Lids over days: the wrong way round, or exchanged, and lines that lag."""

from collections.abc import Iterator
from itertools import pairwise
from statistics import median
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.science.sun import elevation_deg
from stream.science.units import rule_between
from stream.station import Analyzer, Chamber
from stream.summary.findings import Finding, Looked, among

Floats = NDArray[np.float64]

_MANY: Final = 4
_LEAST: Final = 8
_SUNNY_DEG: Final = 20.0
_WARMS_K: Final = 0.4
_CLEAR: Final = 5.0
_FOLLOWS: Final = ("too_long", "line_shared", "no_co2_rise", "co2_falls_in_dark", "leak_suspected")


def of_lids(looked: Looked) -> Iterator[Finding]:
    """Lids that are closed when they should be open, and lids that are exchanged."""
    turned = list(_turned(looked))
    yield from turned
    if not turned:
        for a in looked.station.analyzers:
            if not a.shared and a.sampling == "continuous":
                yield from _exchanged(looked, a)


def _spans(looked: Looked, chamber: str) -> list[tuple[int, int]]:
    """Closures of a chamber over the week [µs]."""
    return sorted(
        {(r["closed_us"], r["opened_us"]) for r in looked.rows if r["chamber"] == chamber}
    )


def _turned(looked: Looked) -> Iterator[Finding]:
    """Lids that are closed for longer than they are open, closure after closure, and for longer
    than they should.
    """
    longest = looked.station.closure.max_duration_s * 1e6
    found = []
    for c in looked.station.chambers:
        spans = [s for s in _spans(looked, c.id) if s[0] >= looked.day.first_us]
        if c.lid_channel is None or len(spans) < _MANY:
            continue
        shut = median(b - a for a, b in spans)
        free = median(b[0] - a[1] for a, b in pairwise(spans))
        if shut > free and shut > longest:
            found.append(c.id)
    if not found:
        return
    explains = frozenset((flag, c) for flag in _FOLLOWS for c in found)
    what = "Check lid_closed and lid_open: they seem to be the wrong way round."
    why = "the lids are closed for longer than they are open, closure after closure"
    yield Finding(1, among(found), what, why, explains)


def _exchanged(looked: Looked, a: Analyzer) -> Iterator[Finding]:
    """Two chambers of which each warms, or cools, while the lid of the other is closed.

    Of each thermometer the change over each closure by day is taken, less that of the
    thermometers of the other chambers: a lid that is closed traps the sun's warmth.
    """
    site = looked.station.station
    if site.latitude is None or site.longitude is None:
        return
    chambers = [
        c for c in looked.station.chambers_on(a.id) if c.air_temperature_channel is not None
    ]
    if len(chambers) < 3 or len({c.air_temperature_channel for c in chambers}) < len(chambers):
        return
    change, error = _changes(looked, chambers)
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
                what = "Breathe into one chamber after the other: their lids seem to be exchanged."
                why = (
                    f"{chambers[i].id} warms by {change[i, j]:.1f} K while the lid of"
                    f" {chambers[j].id} is closed, and the other way round"
                )
                yield Finding(2, names, what, why)


def _changes(looked: Looked, chambers: list[Chamber]) -> tuple[Floats, Floats]:
    """Of thermometer i over the closures of lid j: mean change by day [K], and its error."""
    site = looked.station.station
    channels = [str(c.air_temperature_channel) for c in chambers]
    records = looked.journal.read(channels, looked.week.first_us, looked.week.stop_us - 1)
    n = len(chambers)
    change, error = np.full((n, n), np.nan), np.full((n, n), np.inf)
    for j, lid in enumerate(chambers):
        spans = np.array(_spans(looked, lid.id), dtype=np.int64).reshape(-1, 2)
        sun = elevation_deg(spans[:, 0], site.latitude or 0.0, site.longitude or 0.0)
        spans = spans[sun > _SUNNY_DEG]
        if len(spans) < _LEAST:
            continue
        table = np.empty((n, len(spans)))
        for i, channel in enumerate(channels):
            series = records[channel].filled()
            scale = rule_between(looked.station.channels[channel].unit, "K")[0]
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
