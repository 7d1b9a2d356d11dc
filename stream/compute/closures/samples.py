"""The samples of one gas on one analyzer: dry, at inlet time, with what is wrong with each."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.science.closures.readings import FAULT, OUTSIDE, Scale, judge
from stream.science.closures.visits import VisitValues, visit_values
from stream.science.closures.window import Window, last_before, select
from stream.science.flux.flux import dry_mole_fraction
from stream.science.flux.units import CANONICAL, CHANNEL_UNITS, rule_between
from stream.station import Analyzer, Station
from stream.store.journal.journal import Series
from stream.times import SECOND

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_WATER_HOLD_US: Final = 60 * SECOND
"""How long a water vapour or status record holds for samples between."""
FIRST: Final = 5
"""Samples of an own line whose median is the first level."""
_TIMES_NOISE: Final = 10.0
"""How many times its noise readings that toggle lie apart."""


@dataclass(frozen=True, slots=True)
class Samples:
    """Every sample of one gas in a stretch of time; arrays of shape (n,).

    Attributes
    ----------
    inlet_us : ndarray of int64
        When the gas entered the line: record time less the lag [µs].
    raw : ndarray
        As recorded, in the channel's unit.
    dry : ndarray
        Dry mole fraction [nmol mol⁻¹]; NaN where the sample cannot be used.
    water : ndarray
        Water vapour [mol mol⁻¹]; NaN where unknown.
    wrong : ndarray of uint8
        Bits of :mod:`stream.science.closures.readings`: the analyzer's status was not good;
        the value is out of range; there is no water vapour to make it dry.
    """

    inlet_us: NDArray[np.int64]
    raw: Floats
    dry: Floats
    water: Floats
    wrong: NDArray[np.uint8]
    apart: float
    """How far readings that toggle between values lie from one another at least, as recorded;
    NaN where the noise is not stated."""
    rule: tuple[float, float]
    """(scale, shift) from what is recorded to [nmol mol⁻¹]; NaN for peak areas."""
    wet: bool
    """Whether the gas was measured in moist air."""

    def level_outside(self, part: slice) -> float:
        """First level of a window most of whose readings are out of the channel's range, those
        readings included [nmol mol⁻¹]; NaN where most are within it.

        So that a range hides no unit and no column that is wrong. Where water vapour is not
        known, moist air stands for dry air.
        """
        wrong = self.wrong[part]
        fine = np.flatnonzero((wrong & FAULT) == 0)
        if 2 * np.count_nonzero(wrong[fine] & OUTSIDE) <= len(fine):
            return math.nan
        first = fine[:FIRST]
        level = self.raw[part][first] * self.rule[0] + self.rule[1]
        if self.wet:
            level = dry_mole_fraction(level, np.nan_to_num(self.water[part][first]))
        return float(np.median(level))


def analyzer_channels(analyzer: Analyzer) -> set[str]:
    """The channels that the analyzer's samples need."""
    extra = (analyzer.water_channel, analyzer.status_channel)
    return {*analyzer.gases.values(), *(c for c in extra if c)}


def samples_of(
    station: Station, analyzer: Analyzer, gas: str, records: dict[str, Series]
) -> Samples:
    """Samples of one gas from the records of its channels."""
    channel = analyzer.gases[gas]
    series = records[channel].filled()
    shared = records[channel].times
    water, vapour, status = Scale(1.0, 0.0), None, None
    if analyzer.water_channel is not None:
        name = analyzer.water_channel
        water = Scale(*rule_between(station.channels[name].unit, "mol/mol"), *bounds(station, name))
        vapour = _held(records[name], shared, series.times)
    if analyzer.status_channel is not None:
        status = _held(records[analyzer.status_channel], shared, series.times)
    dry, wet, wrong = judge(
        series.values,
        Scale(*to_canonical(station, channel), *bounds(station, channel)),
        vapour,
        water,
        status,
        np.array(analyzer.status_ok, dtype=np.float64),
        wet=analyzer.basis == "wet",
    )
    inlet = series.times - round(analyzer.lag_s * SECOND)
    apart = _TIMES_NOISE * analyzer.precision.get(gas, math.nan)
    areas = counts_areas(station, analyzer, gas)
    rule = (math.nan, math.nan) if areas else to_canonical(station, channel)
    moist = analyzer.basis == "wet"
    return Samples(inlet, series.values, dry, wet, wrong, apart, rule, moist)


def values_of_tails(
    samples: Samples, tails: Sequence[Window], precision: float | None
) -> VisitValues:
    """The value of each settled tail, from the samples that can be used."""
    parts = [select(samples.inlet_us, tail) for tail in tails]
    usable = [~np.isnan(samples.dry[part]) for part in parts]
    return visit_values(
        [samples.inlet_us[part][u] for part, u in zip(parts, usable, strict=True)],
        [samples.dry[part][u] for part, u in zip(parts, usable, strict=True)],
        precision,
    )


def _held(series: Series, shared: NDArray[np.int64], times: NDArray[np.int64]) -> Floats:
    """Values of a companion channel at the times of the samples."""
    if series.times is shared and times is shared and not np.isnan(series.values).any():
        return series.values
    filled = series.filled()
    return last_before(filled.times, filled.values, times, _WATER_HOLD_US)


def to_canonical(station: Station, channel: str) -> tuple[float, float]:
    """(scale, shift) from a channel's unit to the canonical one of its quantity."""
    unit = station.channels[channel].unit
    quantity = CHANNEL_UNITS[unit].quantity
    return rule_between(unit, CANONICAL[quantity])


def bounds(station: Station, channel: str) -> tuple[float, float]:
    """Range of a channel, in its unit; endless where it has none."""
    return station.channels[channel].range or (-math.inf, math.inf)


def out_of_range(station: Station, channel: str, values: Floats) -> Bools:
    """Where values lie outside the channel's range; NaN does not."""
    low, high = bounds(station, channel)
    return np.asarray((values < low) | (values > high))


def counts_areas(station: Station, analyzer: Analyzer, gas: str) -> bool:
    """Whether a gas is recorded as peak areas, which only standards make mole fractions."""
    unit = station.channels[analyzer.gases[gas]].unit
    return CHANNEL_UNITS[unit].quantity == "area"


def precision_nmol(station: Station, analyzer: Analyzer, gas: str) -> float | None:
    """Standard deviation of one sample [nmol mol⁻¹, or as peak areas], as the station file
    states it.
    """
    stated = analyzer.precision.get(gas)
    return None if stated is None else stated * to_canonical(station, analyzer.gases[gas])[0]
