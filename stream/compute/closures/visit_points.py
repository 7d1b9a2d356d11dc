"""Points of a shared analyzer: visits to the ports that its selector goes through."""

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.compute.closures.points import FLAGS_OF_BITS, Points, Samples
from stream.science.closures.lid import LidClosure, Runs, runs_of
from stream.science.closures.readings import NO_SAMPLES, OUTSIDE, wrong_with
from stream.science.closures.visits import PortVisit, VisitValues, port_visits, visit_values
from stream.science.closures.window import Window, is_toggling
from stream.science.quality.flags import BIT
from stream.station import Analyzer, Chamber, ClosureRules
from stream.store.journal.journal import Series
from stream.store.results.changes import Row
from stream.times import SECOND

Floats = NDArray[np.float64]

PORT_HOLD_US: Final = 60 * SECOND
"""How long the selector is taken to stay on a port without a record."""
LONG_PAUSE = 1.75
"""Pause between visits, over the shortest, that says one was left out."""
_UNCOUNTED: Final = BIT["no_samples"] | BIT["no_water"]


def port_runs(analyzer: Analyzer, records: Mapping[str, Series]) -> Runs:
    """Runs of the channel that says what flows; of injections, at the moment of injection."""
    if analyzer.selector is None:
        raise ValueError(f"analyzer {analyzer.id} has no channel that says what flows")
    series = records[analyzer.selector].filled()
    # An injection's record bears the port that was injected, though it comes a lag later.
    times = series.times - round((analyzer.lag_s - analyzer.mixing_s) * SECOND)
    return runs_of(times, np.rint(series.values).astype(np.int64), PORT_HOLD_US)


def stays_of(runs: Runs, closures: Sequence[tuple[Chamber, LidClosure]]) -> list[list[PortVisit]]:
    """For each closure the visits to its port that overlap it."""
    until = int(runs.last[-1]) if len(runs) else 0
    by_port: dict[int, list[PortVisit]] = {}
    for visit in port_visits(runs, PORT_HOLD_US, until):
        by_port.setdefault(visit.port, []).append(visit)
    return [
        [
            v
            for v in by_port.get(chamber.port if chamber.port is not None else -1, [])
            if v.ended_us > lid.closed_us and v.started_us < lid.opened_us
        ]
        for chamber, lid in closures
    ]


def values_of_tails(
    samples: Samples, tails: Sequence[Window], precision: float | None
) -> VisitValues:
    """The value of each settled tail, from the samples that can be used."""
    return _values(samples, _parts(samples, tails), precision)


def _parts(samples: Samples, windows: Sequence[Window]) -> list[slice]:
    """Where the samples of windows lie, as :func:`select` finds them."""
    edges = np.array([(w.start_us, w.stop_us) for w in windows], dtype=np.int64).reshape(-1, 2)
    found = np.searchsorted(samples.inlet_us, edges).tolist()
    return [slice(first, max(first, last)) for first, last in found]


def _values(samples: Samples, parts: Sequence[slice], precision: float | None) -> VisitValues:
    usable = ~np.isnan(samples.dry)
    times = [samples.inlet_us[part] for part in parts]
    values = [samples.dry[part] for part in parts]
    if not usable.all():
        kept = [usable[part] for part in parts]
        times = [t[k] for t, k in zip(times, kept, strict=True)]
        values = [v[k] for v, k in zip(values, kept, strict=True)]
    return visit_values(times, values, precision)


def visit_points(
    samples: Samples,
    windows: Sequence[Window],
    closed_us: Sequence[int],
    stays: Sequence[list[PortVisit]],
    flush_us: int,
    mixing_us: int,
    precision: float | None,
    rules: ClosureRules,
) -> list[Points]:
    """Of each closure, one point for each visit of the selector to the chamber's port while it
    is closed.

    Parameters
    ----------
    samples : Samples
        Of the analyzer.
    windows : sequence of Window
        Of the closures.
    closed_us : sequence of int
        When the lids closed [µs].
    stays : sequence of list of PortVisit
        Visits to the chamber's port that overlap each closure.
    flush_us : int
        What is unsettled after a port change [µs].
    mixing_us : int
        How long before the next port a reading may hold some of its gas [µs].
    precision : float or None
        Of one sample [nmol mol⁻¹].
    rules : ClosureRules
        The station's.
    """
    kept: list[list[PortVisit]] = []
    tails: list[Window] = []
    for window, mine in zip(windows, stays, strict=True):
        kept.append([])
        for stay in mine:
            settled = stay.settled(flush_us, mixing_us)
            start = max(settled.start_us, window.start_us)
            stop = min(settled.stop_us, window.stop_us)
            if start < stop:
                kept[-1].append(stay)
                tails.append(Window(start, stop))
    parts = _parts(samples, tails)
    got = _values(samples, parts, precision)
    found, at = [], 0
    for window, closed, visits in zip(windows, closed_us, kept, strict=True):
        here = slice(at, at + len(visits))
        values = VisitValues(
            got.mid_us[here], got.value[here], got.value_se[here], got.points[here]
        )
        found.append(_points(samples, window, closed, visits, parts[here], values, rules))
        at = here.stop
    return found


def _points(
    samples: Samples,
    window: Window,
    closed_us: int,
    visits: list[PortVisit],
    parts: list[slice],
    got: VisitValues,
    rules: ClosureRules,
) -> Points:
    """Points of one closure, from the visits that have a settled part in its window."""
    have = np.flatnonzero(got.points)
    flags, outside = _wrong_with_visits(samples, parts)
    pauses = [b.started_us - a.started_us for a, b in pairwise(visits)]
    if len(have) == 0:
        flags |= BIT["no_samples"]
    elif len(have) < len(visits) or (pauses and max(pauses) > LONG_PAUSE * min(pauses)):
        flags |= BIT["visits_missing"]
    if len(have) < rules.min_points and not flags & _UNCOUNTED:
        flags |= BIT["few_points"]
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
        visits=_visit_rows(visits, got, closed_us - round(rules.max_duration_s * SECOND)),
        outside=outside,
    )


def _wrong_with_visits(samples: Samples, parts: Sequence[slice]) -> tuple[int, float]:
    """Flags of visits, and the level outside where most of them show one."""
    flags = 0
    outside: list[float] = []
    for part in parts:
        bits = wrong_with(samples.raw[part], samples.wrong[part], samples.apart)
        flags |= FLAGS_OF_BITS[bits & ~NO_SAMPLES]
        if not bits & NO_SAMPLES:
            outside.append(samples.level_outside(part) if bits & OUTSIDE else math.nan)
    if parts and is_toggling(np.concatenate([samples.raw[p] for p in parts]), samples.apart):
        # One visit alone may be too short to tell.
        flags |= BIT["toggling"]
    shown = 2 * sum(map(math.isnan, outside)) < len(outside)
    return flags, outside[0] if shown else math.nan


def _visit_rows(kept: Sequence[PortVisit], got: VisitValues, earliest_us: int) -> list[Row]:
    """Rows of the visits that have a value; one begins no earlier than is said."""
    columns = (got.mid_us, got.value, got.value_se, got.points)
    return [
        {
            "visit": i,
            "port": visit.port,
            "started_us": max(visit.started_us, earliest_us),
            "mid_us": mid,
            "value_nmol_mol": value,
            "value_se_nmol_mol": error,
            "points": points,
        }
        for i, (visit, mid, value, error, points) in enumerate(
            zip(kept, *(c.tolist() for c in columns), strict=True), 1
        )
        if points
    ]


def _mean(values: Floats) -> float:
    known = values[~np.isnan(values)]
    return float(np.mean(known)) if len(known) else float("nan")
