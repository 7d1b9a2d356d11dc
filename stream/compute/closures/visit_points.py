"""Points of a shared analyzer: visits to the ports that its selector goes through."""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.compute.closures.points import FLAGS_OF_BITS, Points, Samples
from stream.science.closures.lid import LidClosure, Runs, runs_of
from stream.science.closures.readings import NO_SAMPLES, wrong_with
from stream.science.closures.visits import PortVisit, VisitValues, port_visits, visit_values
from stream.science.closures.window import Window, is_toggling, select
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
    parts = [select(samples.inlet_us, tail) for tail in tails]
    usable = [~np.isnan(samples.dry[part]) for part in parts]
    return visit_values(
        [samples.inlet_us[part][u] for part, u in zip(parts, usable, strict=True)],
        [samples.dry[part][u] for part, u in zip(parts, usable, strict=True)],
        precision,
    )


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
        flags |= BIT["no_samples"]
    elif len(have) < len(kept) or (len(pauses) and pauses.max() > LONG_PAUSE * pauses.min()):
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


def _wrong_with_visits(samples: Samples, parts: Sequence[slice]) -> tuple[int, float]:
    """Flags of visits, and the level outside where most of them show one."""
    flags = 0
    outside: list[float] = []
    for part in parts:
        bits = wrong_with(samples.raw[part], samples.wrong[part], samples.apart)
        flags |= FLAGS_OF_BITS[bits & ~NO_SAMPLES]
        if not bits & NO_SAMPLES:
            outside.append(samples.level_outside(part))
    if parts and is_toggling(np.concatenate([samples.raw[p] for p in parts]), samples.apart):
        # One visit alone may be too short to tell.
        flags |= BIT["toggling"]
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


def _mean(values: Floats) -> float:
    known = values[~np.isnan(values)]
    return float(np.mean(known)) if len(known) else float("nan")
