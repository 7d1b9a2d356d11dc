"""Thermometers of the soil against those of the headspace: are their columns exchanged?"""

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.report.summary.findings.air import warmest
from stream.report.summary.findings.finding import Evidence, Finding, among
from stream.science.flux.units import rule_between
from stream.store.journal.journal import Series
from stream.times import DAY

Floats = NDArray[np.float64]

_STEP_US: Final = 1_800_000_000
_DAYS: Final = 3
_LEAST: Final = 100
"""Half hours of three days from which a channel is judged."""
_ROUGHER: Final = 1.5
_SWINGS: Final = 1.2
_AHEAD_H: Final = 1.5


def of_soil(evidence: Evidence) -> Iterator[Finding]:
    """Soil temperatures that flicker as air does, beside air as calm as soil.

    Soil conducts heat slowly: from half hour to half hour its temperature bends less than that
    of air, which follows clouds, wind and lids; it swings less, and is warmest hours later
    [common practice, no source]. All three must be the wrong way round: a sensor near the surface
    of sunny soil swings more than air, and one in a shaded chamber lags.
    """
    pairs: dict[tuple[str, str], list[str]] = {}
    for c in evidence.station.chambers:
        if c.air_temperature_channel and c.soil_temperature_channel:
            pair = c.air_temperature_channel, c.soil_temperature_channel
            pairs.setdefault(pair, []).append(c.id)
    found, names = [], []
    for (air, soil), chambers in pairs.items():
        above, below = _rough(evidence, air), _rough(evidence, soil)
        if above is None or below is None:
            continue
        rougher = below[0] > _ROUGHER * above[0] and below[1] > _SWINGS * above[1]
        if rougher and _ahead_h(evidence, soil, air) > _AHEAD_H:
            found.append((air, soil, above, below))
            names += chambers
    if not found:
        return
    air, soil, above, below = found[0]
    more = f", and {len(found) - 1} more pairs" if len(found) > 1 else ""
    what = (
        "Check the columns of air and soil temperature: they may be exchanged. Warm one sensor in"
        " the hand."
    )
    why = (
        f"{soil} swings by {below[1]:.1f} K and flickers like air, {air} by {above[1]:.1f} K and"
        f" changes as slowly as soil{more}"
    )
    yield Finding(2, among(names), what, why)


def _rough(evidence: Evidence, channel: str) -> tuple[float, float] | None:
    """How much half-hourly means bend, and their swing in a day [K]; None of too few."""
    series = evidence.series(channel, days=_DAYS)
    means = _means(series) * rule_between(evidence.station.channels[channel].unit, "K")[0]
    bends = np.abs(np.diff(means, 2))
    bends = bends[~np.isnan(bends)]
    if len(bends) < _LEAST:
        return None
    swing = float(np.nanpercentile(means, 95) - np.nanpercentile(means, 5))
    return float(np.median(bends)), swing


def _ahead_h(evidence: Evidence, one: str, other: str) -> float:
    """By how much one channel is warmest before another, over the days [h]; NaN where the days
    do not show it.
    """
    channels = evidence.station.channels
    both = [(evidence.series(c, days=_DAYS), channels[c].unit) for c in (one, other)]
    turns = []
    for first in range(evidence.day.stop_us - _DAYS * DAY, evidence.day.stop_us, DAY):
        a, b = (warmest(series, first, 0.0, unit) for series, unit in both)
        if a is not None and b is not None:
            turns.append(np.exp(1j * (b - a)))
    if len(turns) < _DAYS or abs(np.mean(turns)) < 0.9:
        return float("nan")
    return float(np.angle(np.mean(turns)) * 12.0 / np.pi)


def _means(series: Series) -> Floats:
    """Of each half hour, NaN where there is no record."""
    if not len(series.times):
        return np.empty(0)
    place = (series.times - series.times[0]) // _STEP_US
    count = np.bincount(place)
    sums = np.bincount(place, series.values)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(count > 0, sums / count, np.nan))
