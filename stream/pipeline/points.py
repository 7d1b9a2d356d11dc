"""The points that a closure is fitted to: samples of an own line, or visits of a selector."""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.pipeline.samples import Samples
from stream.records import SECOND
from stream.science.visits import PortVisit, visit_values
from stream.science.window import Window, is_flat, missing_share, select, usual_spacing
from stream.station import ClosureRules
from stream.store.changes import Row

Floats = NDArray[np.float64]

MISSING_ALLOWED = 0.1
"""Share of a window that may lack samples without a flag."""
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


def own_line_points(
    samples: Samples, window: Window, closed_us: int, rules: ClosureRules
) -> Points:
    """All usable samples of a closure whose chamber has the line to itself."""
    part = select(samples.inlet_us, window)
    inlet = samples.inlet_us[part]
    flags = _sample_flags(samples, part)
    if not flags & {"no_samples"} and missing_share(inlet, window) > MISSING_ALLOWED:
        flags.add("samples_missing")
    usable = ~np.isnan(samples.dry[part])
    t = (inlet[usable] - closed_us) / SECOND
    y = samples.dry[part][usable]
    _count_flags(flags, len(t), rules)
    spacing = usual_spacing(inlet) / SECOND
    return Points(
        t, y, np.ones_like(t), False, spacing, window.stop_us, _mean(samples.water[part]), flags
    )


LEVEL: Final = 10
"""Samples of an own line that make a level."""


def end_points(samples: Samples, window: Window, closed_us: int) -> Points:
    """The first and the last few usable samples of a window; none where it has fewer than
    three times as many.
    """
    part = select(samples.inlet_us, window)
    dry = samples.dry[part]
    usable = np.flatnonzero(dry == dry)
    some = usable if len(usable) >= 3 * LEVEL else usable[:0]
    rows = np.concatenate((some[:LEVEL], some[-LEVEL:]))
    t = (samples.inlet_us[part][rows] - closed_us) / SECOND
    unknown = float("nan")
    return Points(t, dry[rows], np.ones(len(t)), False, unknown, window.stop_us, unknown)


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
    flags: set[str] = set()
    times: list[NDArray[np.int64]] = []
    values: list[Floats] = []
    waters: list[Floats] = []
    kept: list[PortVisit] = []
    for stay in stays:
        settled = stay.settled(flush_us, mixing_us)
        tail = Window(max(settled.start_us, window.start_us), min(settled.stop_us, window.stop_us))
        if tail.start_us >= tail.stop_us:
            continue
        part = select(samples.inlet_us, tail)
        flags |= _sample_flags(samples, part) - {"no_samples"}
        usable = ~np.isnan(samples.dry[part])
        kept.append(stay)
        times.append(samples.inlet_us[part][usable])
        values.append(samples.dry[part][usable])
        waters.append(samples.water[part])
    got = visit_values(times, values, precision)
    have = np.flatnonzero(got.points)
    started = np.array([k.started_us for k in kept], dtype=np.int64)
    pauses = np.diff(started)
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
        water=_mean(np.concatenate([np.empty(0), *waters])),
        flags=flags,
        visits=[
            {
                "visit": i + 1,
                "port": kept[i].port,
                "started_us": max(
                    kept[i].started_us, closed_us - round(rules.max_duration_s * SECOND)
                ),
                "mid_us": int(got.mid_us[i]),
                "value_nmol_mol": float(got.value[i]),
                "value_se_nmol_mol": float(got.value_se[i]),
                "points": int(got.points[i]),
            }
            for i in range(len(kept))
            if got.points[i]
        ],
    )


def _sample_flags(samples: Samples, part: slice) -> set[str]:
    """What is wrong with the samples of a window, one by one."""
    flags: set[str] = set()
    if part.stop == part.start:
        return {"no_samples"}
    if samples.no_water[part].all():
        flags.add("no_water")
    if samples.outside[part].any():
        flags.add("out_of_range")
    if samples.fault[part].any():
        flags.add("analyzer_fault")
    if is_flat(samples.raw[part]):
        flags.add("flat_line")
    return flags


def _count_flags(flags: set[str], points: int, rules: ClosureRules) -> None:
    if points < rules.min_points and not flags & {"no_samples", "no_water"}:
        flags.add("few_points")


def _mean(values: Floats) -> float:
    known = values[~np.isnan(values)]
    return float(np.mean(known)) if len(known) else float("nan")
