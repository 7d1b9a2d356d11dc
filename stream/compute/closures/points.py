"""The points that a closure is fitted to: samples of an own line, or visits of a selector."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.compute.closures.samples import Samples
from stream.science.closures.readings import (
    FAULT,
    FLAT,
    NO_SAMPLES,
    NO_WATER,
    OUTSIDE,
    TOGGLES,
    ends,
    gather,
    wrong_with,
)
from stream.science.closures.visits import PortVisit, VisitValues, visit_values
from stream.science.closures.window import Window, is_toggling, select
from stream.station import ClosureRules
from stream.store.results.changes import Row
from stream.times import SECOND

Floats = NDArray[np.float64]

MISSING_ALLOWED = 0.1
"""Share of a window that may lack samples without a flag."""
_WRONG: Final = {
    NO_SAMPLES: "no_samples",
    NO_WATER: "no_water",
    OUTSIDE: "out_of_range",
    FAULT: "analyzer_fault",
    FLAT: "flat_line",
    TOGGLES: "toggling",
}
LONG_PAUSE = 1.75
"""Pause between visits, over the shortest, that says one was left out."""


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
    flags : set of str
        What is wrong with the points.
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
    flags: set[str] = field(default_factory=set)
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
        flags = _words(bits)
        if not bits & NO_SAMPLES and missing > MISSING_ALLOWED:
            flags.add("samples_missing")
        _count_flags(flags, b - a, rules)
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


LEVEL: Final = 10
"""Samples of an own line that make a level."""


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


def visit_points(
    samples: Samples,
    window: Window,
    closed_us: int,
    stays: list[PortVisit],
    flush_us: int,
    mixing_us: int,
    precision: float | None,
    rules: ClosureRules,
) -> Points:
    """One point for each visit of the selector to the chamber's port while it is closed.

    Parameters
    ----------
    samples : Samples
        Of the analyzer.
    window : Window
        Of the closure.
    closed_us : int
        When the lid closed [µs].
    stays : list of PortVisit
        Visits to the chamber's port that overlap the closure.
    flush_us : int
        What is unsettled after a port change [µs].
    mixing_us : int
        How long before the next port a reading may hold some of its gas [µs].
    precision : float or None
        Of one sample [nmol mol⁻¹].
    rules : ClosureRules
        The station's.
    """
    kept, parts = _settled_parts(samples, window, stays, flush_us, mixing_us)
    usable = [~np.isnan(samples.dry[part]) for part in parts]
    got = visit_values(
        [samples.inlet_us[part][use] for part, use in zip(parts, usable, strict=True)],
        [samples.dry[part][use] for part, use in zip(parts, usable, strict=True)],
        precision,
    )
    have = np.flatnonzero(got.points)
    flags, outside = _wrong_with_visits(samples, parts)
    pauses = np.diff(np.array([k.started_us for k in kept], dtype=np.int64))
    if len(have) == 0:
        flags.add("no_samples")
    elif len(have) < len(kept) or (len(pauses) and pauses.max() > LONG_PAUSE * pauses.min()):
        flags.add("visits_missing")
    _count_flags(flags, len(have), rules)
    error = got.value_se[have]
    known = bool(len(have)) and not np.isnan(error).any()
    return Points(
        t=(got.mid_us[have] - closed_us) / SECOND,
        y=got.value[have],
        w=1.0 / error**2 if known else np.ones(len(have)),
        known_variance=known,
        spacing_s=np.nan,
        stop_us=window.stop_us,
        water=_mean(np.concatenate([np.empty(0), *(samples.water[part] for part in parts)])),
        flags=flags,
        visits=_visit_rows(kept, got, closed_us - round(rules.max_duration_s * SECOND)),
        outside=outside,
    )


def _settled_parts(
    samples: Samples, window: Window, stays: list[PortVisit], flush_us: int, mixing_us: int
) -> tuple[list[PortVisit], list[slice]]:
    """Visits that have a settled part in the window, and where its samples lie."""
    kept: list[PortVisit] = []
    parts: list[slice] = []
    for stay in stays:
        settled = stay.settled(flush_us, mixing_us)
        tail = Window(max(settled.start_us, window.start_us), min(settled.stop_us, window.stop_us))
        if tail.start_us < tail.stop_us:
            kept.append(stay)
            parts.append(select(samples.inlet_us, tail))
    return kept, parts


def _wrong_with_visits(samples: Samples, parts: Sequence[slice]) -> tuple[set[str], float]:
    """Flags of visits, and the level outside where most of them show one."""
    flags: set[str] = set()
    outside: list[float] = []
    for part in parts:
        bits = wrong_with(samples.raw[part], samples.wrong[part], samples.apart)
        flags |= _words(bits) - {"no_samples"}
        if not bits & NO_SAMPLES:
            outside.append(samples.level_outside(part))
    if parts and is_toggling(np.concatenate([samples.raw[p] for p in parts]), samples.apart):
        # One visit alone may be too short to tell.
        flags.add("toggling")
    shown = 2 * np.isnan(outside).sum() < len(outside)
    return flags, outside[0] if shown else float("nan")


def _visit_rows(kept: Sequence[PortVisit], got: VisitValues, earliest_us: int) -> list[Row]:
    """Rows of the visits that have a value; one begins no earlier than is said."""
    return [
        {
            "visit": i + 1,
            "port": visit.port,
            "started_us": max(visit.started_us, earliest_us),
            "mid_us": int(got.mid_us[i]),
            "value_nmol_mol": float(got.value[i]),
            "value_se_nmol_mol": float(got.value_se[i]),
            "points": int(got.points[i]),
        }
        for i, visit in enumerate(kept)
        if got.points[i]
    ]


def _words(bits: int) -> set[str]:
    """What is wrong with the samples of a window."""
    return {word for bit, word in _WRONG.items() if bits & bit} if bits else set()


def _count_flags(flags: set[str], points: int, rules: ClosureRules) -> None:
    if points < rules.min_points and not flags & {"no_samples", "no_water"}:
        flags.add("few_points")


def _mean(values: Floats) -> float:
    known = values[~np.isnan(values)]
    return float(np.mean(known)) if len(known) else float("nan")
