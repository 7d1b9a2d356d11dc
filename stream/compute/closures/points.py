"""The points that a closure is fitted to: samples of one gas, dry, and those of an own line.

Samples are at inlet time, with what is wrong with each; a chamber with a line of its own takes
all that can be used (:mod:`stream.compute.closures.visit_points` has those of a shared analyzer).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.science.closures.readings import (
    FAULT,
    FLAT,
    NO_SAMPLES,
    NO_WATER,
    OUTSIDE,
    TOGGLES,
    Scale,
    ends,
    gather,
    judge,
)
from stream.science.closures.window import Window, last_before, select
from stream.science.flux.calibration import Kind
from stream.science.flux.flux import dry_mole_fraction
from stream.science.flux.units import CANONICAL, CHANNEL_UNITS, rule_between
from stream.science.quality.flags import BIT
from stream.station import Analyzer, ClosureRules, Station
from stream.store.journal.journal import Series
from stream.store.results.changes import Row
from stream.times import SECOND

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_WATER_HOLD_US: Final = 60 * SECOND
"""How long a water vapour or status record holds for samples between."""
FIRST: Final = 5
"""Samples of an own line whose median is the first level."""
_TIMES_NOISE: Final = 10.0
"""How many times its noise readings that toggle lie apart."""
MISSING_ALLOWED = 0.1
"""Share of a window that may lack samples without a flag."""
LEVEL: Final = 10
"""Samples of an own line that make a level."""
_WRONG: Final = {
    NO_SAMPLES: "no_samples",
    NO_WATER: "no_water",
    OUTSIDE: "out_of_range",
    FAULT: "analyzer_fault",
    FLAT: "flat_line",
    TOGGLES: "toggling",
}
FLAGS_OF_BITS: Final = [
    sum(BIT[word] for bit, word in _WRONG.items() if bits & bit) for bits in range(2 * TOGGLES)
]
"""What is wrong with the samples of a window, as bits of readings → as bits of flags."""
_UNCOUNTED: Final = BIT["no_samples"] | BIT["no_water"]


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


@dataclass(slots=True)
class Points:
    """Points of one closure and gas.

    Attributes
    ----------
    t, y, w : ndarray, shape (n,)
        Time since the lid closed [s], dry mole fraction [nmol mol⁻¹], weight.
    known_variance : bool
        Whether the weights are 1/variance.
    spacing_s : float
        Usual time between samples [s].
    stop_us : int
        End of the window [µs].
    water : float
        Mean water vapour over the window [mol mol⁻¹], NaN where unknown.
    flags : int
        What is wrong with the points, as bits.
    visits : list of rows
        The visits, for the table of that name, as measured.
    gain, gain_relative_se : float
        Mean slope of the response that the points were corrected by, NaN where they
        were not; its relative standard error.
    outside : float
        As of :meth:`Samples.level_outside`, not corrected by standards.
    """

    t: Floats
    y: Floats
    w: Floats
    known_variance: bool
    spacing_s: float
    stop_us: int
    water: float
    flags: int = 0
    visits: list[Row] = field(default_factory=list)
    gain: float = float("nan")
    gain_relative_se: float = 0.0
    outside: float = float("nan")


def own_line_points(
    samples: Samples,
    windows: Sequence[Window],
    closed_us: Sequence[int],
    rules: ClosureRules,
) -> list[Points]:
    """All usable samples of closures whose chamber has the line to itself."""
    got = gather(
        samples.inlet_us, samples.raw, samples.dry, samples.water, samples.wrong,
        *_bounds(windows), np.array(closed_us, dtype=np.int64), samples.apart,
    )  # fmt: skip
    weights = np.ones_like(got.t)
    columns = (got.offsets[:-1], got.offsets[1:], got.spacing_us / SECOND, got.missing, got.water)
    points = []
    for window, bits, (a, b, spacing, missing, water) in zip(
        windows, got.wrong.tolist(), zip(*(c.tolist() for c in columns), strict=True), strict=True
    ):
        flags = FLAGS_OF_BITS[bits]
        if not bits & NO_SAMPLES and missing > MISSING_ALLOWED:
            flags |= BIT["samples_missing"]
        if b - a < rules.min_points and not flags & _UNCOUNTED:
            flags |= BIT["few_points"]
        points.append(
            Points(
                got.t[a:b], got.y[a:b], weights[a:b], False, spacing, window.stop_us, water, flags
            )
        )
        if bits & OUTSIDE:
            points[-1].outside = samples.level_outside(select(samples.inlet_us, window))
    return points


def _bounds(windows: Sequence[Window]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Starts and stops of windows [µs]."""
    return (
        np.array([w.start_us for w in windows], dtype=np.int64),
        np.array([w.stop_us for w in windows], dtype=np.int64),
    )


def end_points(
    samples: Samples, windows: Sequence[Window], closed_us: Sequence[int]
) -> list[Points]:
    """The first and the last few usable samples of windows; none of one that has fewer than
    three times as many.
    """
    t, y, there = ends(
        samples.inlet_us, samples.dry, *_bounds(windows), np.array(closed_us, dtype=np.int64), LEVEL
    )
    weights, unknown = np.ones(2 * LEVEL), float("nan")
    kept = [slice(None) if known else slice(0) for known in there.tolist()]
    return [
        Points(t[i, k], y[i, k], weights[k], False, unknown, window.stop_us, unknown)
        for i, (window, k) in enumerate(zip(windows, kept, strict=True))
    ]


def kind_of_response(analyzer: Analyzer, gas: str) -> Kind | None:
    """The response that the station file asks for, or that the standards allow; None: none."""
    known = [s.value for s in analyzer.standards if s.gas == gas]
    if not known or analyzer.response == "none":
        return None
    if analyzer.response != "auto":
        return analyzer.response
    if len(set(known)) > 1:
        return "linear"
    return "factor" if known[0] > 0 else "offset"
