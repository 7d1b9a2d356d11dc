"""Points of a closure corrected by the standards that the analyzer visited before it ended."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.compute.closures.points import Points, Samples, precision_nmol
from stream.compute.closures.visit_points import values_of_tails
from stream.science.closures.lid import LidClosure, Runs
from stream.science.closures.visits import port_visits
from stream.science.flux.calibration import (
    NEEDS,
    Kind,
    Response,
    between,
    in_opposite_order,
    with_and_without_doubt,
)
from stream.science.flux.units import rule_between
from stream.science.quality.flags import BIT
from stream.station import Analyzer, Standard, Station
from stream.times import SECOND

Floats = NDArray[np.float64]

SHOWN_SHARE: Final = (2 / 3, 1.5)
"""Of a standard's value, within which an analyzer of mole fractions shows it."""


@dataclass(frozen=True, slots=True)
class StandardVisits:
    """Visits to one standard in a stretch of records, in order of time; arrays of shape (v,).

    Attributes
    ----------
    known, known_se : float
        The gas [nmol mol⁻¹].
    started_us : ndarray of int64
        [µs]
    told_us : ndarray of int64
        When it was clear that the visit had ended [µs].
    mid_us : ndarray of int64
        [µs]
    value, value_se : ndarray
        What the analyzer showed [nmol mol⁻¹]; NaN where nothing settled.
    """

    known: float
    known_se: float
    started_us: NDArray[np.int64]
    told_us: NDArray[np.int64]
    mid_us: NDArray[np.int64]
    value: Floats
    value_se: Floats


def standards_of(
    station: Station, analyzer: Analyzer, gas: str, samples: Samples, runs: Runs, hold_us: int
) -> list[StandardVisits]:
    """What the records hold of each standard of one gas.

    Parameters
    ----------
    station, analyzer, gas
        Which.
    samples : Samples
        Of that gas.
    runs : Runs
        Of the selector.
    hold_us : int
        How long the selector is taken to stay on a port without a record [µs].
    """
    flush, lag = round(analyzer.flush_s * SECOND), round(analyzer.lag_s * SECOND)
    mixing = round(analyzer.mixing_s * SECOND)
    precision = precision_nmol(station, analyzer, gas)
    visits = list(port_visits(runs, hold_us, 2**62))
    # A silence tells of an end only once it has lasted.
    silent = runs.last + hold_us + 1
    told = np.minimum(np.append(runs.first[1:], np.int64(2**62)), silent)
    found = []
    for standard in analyzer.standards:
        if standard.gas != gas:
            continue
        mine = np.flatnonzero(runs.state == standard.port)
        values = values_of_tails(
            samples, [visits[i].settled(flush, mixing) for i in mine], precision
        )
        known, known_se = known_mole_fraction(station, analyzer, standard)
        found.append(
            StandardVisits(
                known=known,
                known_se=known_se,
                started_us=runs.first[mine],
                told_us=told[mine] + lag,
                mid_us=values.mid_us,
                value=values.value,
                value_se=values.value_se,
            )
        )
    return found


def known_mole_fraction(
    station: Station, analyzer: Analyzer, standard: Standard
) -> tuple[float, float]:
    """Of a standard gas, with its standard uncertainty [nmol mol⁻¹]."""
    unit = standard.unit or station.channels[analyzer.gases[standard.gas]].unit
    scale, shift = rule_between(unit, "nmol/mol")
    return standard.value * scale + shift, standard.uncertainty * scale


def calibrated(
    points: Sequence[Points],
    lids: Sequence[LidClosure],
    standards: Sequence[StandardVisits],
    analyzer: Analyzer,
    kind: Kind,
    *,
    areas: bool = False,
) -> list[Points]:
    """The points of closures in terms of the standards.

    Of each closure only visits count that were over before the lid opened, or up to
    ``standard_wait_s`` later, and that began within ``standard_hold_s`` before it closed: so a
    result is final when that time is over. Points are corrected each by the response at its own
    moment. Where too few standards were visited the points stay as they are, with a flag; peak
    areas are of no use then.
    """
    found = list(points)
    some = [i for i, p in enumerate(points) if len(p.t)]
    hold, wait = round(analyzer.standard_hold_s * SECOND), round(analyzer.after_s * SECOND)
    uses = [
        _Use(s, [lids[i].closed_us - hold for i in some], [lids[i].opened_us + wait for i in some])
        for s in standards
    ]
    groups: dict[tuple[int, ...], list[int]] = {}
    for j in range(len(some)):
        which = tuple(k for k, use in enumerate(uses) if use.first[j] < use.stop[j])
        groups.setdefault(which, []).append(j)
    for which, mine in groups.items():
        shown = [uses[k] for k in which]
        told = [points[some[j]] for j in mine]
        if len({use.known for use in shown}) >= NEEDS[kind]:
            closed = [lids[some[j]].closed_us for j in mine]
            got = _corrected(told, closed, mine, shown, analyzer, kind, areas=areas)
        else:
            got = [_as_measured(p, "calibration_overdue", areas=areas) for p in told]
        for j, corrected in zip(mine, got, strict=True):
            found[some[j]] = corrected
    return found


class _Use:
    """Visits to a standard that showed something, and which of them count for each closure."""

    def __init__(self, visits: StandardVisits, since: list[int], until: list[int]) -> None:
        self.known, self.known_se = visits.known, visits.known_se
        told = np.isfinite(visits.value) & np.isfinite(visits.value_se)
        self._when = visits.mid_us[told] / SECOND
        self._value, self._error = visits.value[told], visits.value_se[told]
        self.first = np.searchsorted(visits.started_us[told], since)
        self.stop = np.searchsorted(visits.told_us[told], until, side="right")
        self._drifts: dict[tuple[int, int], float] = {}

    def at(self, at: Floats, closures: NDArray[np.int64]) -> tuple[Floats, Floats]:
        """What it would have shown at some moments, each of a closure, and the errors."""
        among = self.first[closures], self.stop[closures]
        return between(at, self._when, self._value, self._error, among)

    def drift(self, closure: int) -> float:
        """How much it wandered, over its mean."""
        edges = int(self.first[closure]), int(self.stop[closure])
        if edges not in self._drifts:
            mine = self._value[slice(*edges)]
            mean = float(np.mean(mine))
            positive = self.known > 0 and mean > 0
            self._drifts[edges] = float(np.ptp(mine)) / mean if positive else 0.0
        return self._drifts[edges]


def _corrected(
    points: Sequence[Points],
    closed_us: Sequence[int],
    closures: Sequence[int],
    shown: Sequence[_Use],
    analyzer: Analyzer,
    kind: Kind,
    *,
    areas: bool,
) -> list[Points]:
    """Points of closures, one at least, for all of which the same standards were visited."""
    counts = [len(p.t) for p in points]
    t = np.concatenate([p.t for p in points])
    at = np.repeat([c / SECOND for c in closed_us], counts) + t
    levels = [use.at(at, np.repeat(np.array(closures), counts)) for use in shown]
    known = np.array([use.known for use in shown])
    known_se = np.array([use.known_se for use in shown])
    measured = np.column_stack([value for value, _ in levels])
    noise = np.column_stack([error for _, error in levels])
    found = with_and_without_doubt(kind, measured, noise, known, known_se)
    if found is None and len(points) > 1:
        # It may be one of them alone that the standards say nothing of.
        return [
            _corrected([p], [c], [j], shown, analyzer, kind, areas=areas)[0]
            for p, c, j in zip(points, closed_us, closures, strict=True)
        ]
    flagged = []
    edges = np.cumsum([0, *counts])
    for p, a, b in zip(points, edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        flags = p.flags
        if not areas and _far_off(measured[a:b], known):
            flags |= BIT["standards_implausible"]
        if in_opposite_order(measured[a:b], known):
            flags |= BIT["standards_exchanged"]
        flagged.append(flags)
    if found is None:
        (p,), (flags,) = points, flagged
        return [_as_measured(replace(p, flags=flags), "calibration_poor", areas=areas)]
    drifts = [max([0.0, *(use.drift(j) for use in shown)]) for j in closures]
    return _apply(points, flagged, *found, drifts, analyzer)


def _as_measured(points: Points, flag: str, *, areas: bool) -> Points:
    """Points that cannot be corrected, with the flag that says why; areas are none then."""
    if areas:
        return without_calibration(points)
    return replace(points, flags=points.flags | BIT[flag])


def _far_off(shown: Floats, known: Floats) -> bool:
    """Whether a standard that is not zero gas is shown far from its value."""
    real = known > 0.0
    if not real.any():
        return False
    share = np.mean(shown[:, real], axis=0) / known[real]
    return bool(((share < SHOWN_SHARE[0]) | (share > SHOWN_SHARE[1])).any())


def without_calibration(points: Points) -> Points:
    """Peak areas that nothing turns into mole fractions: no points are left."""
    nothing = np.empty(0)
    flags = points.flags | BIT["no_calibration"]
    return replace(points, t=nothing, y=nothing, w=nothing, known_variance=False, flags=flags)


def _apply(
    points: Sequence[Points],
    flagged: Sequence[int],
    response: Response,
    bare: Response,
    drifts: Sequence[float],
    analyzer: Analyzer,
) -> list[Points]:
    """Points by their response; ``bare`` is what the noise of visits alone leaves of it."""
    y = np.concatenate([p.y for p in points])
    w = np.concatenate([p.w for p in points])
    slopes, true, added = response.slope(y), response.true(y), bare.se(y)
    with np.errstate(all="ignore"):
        # Of points whose own variance is not known it is of no account.
        weights = 1.0 / (slopes**2 / w + added**2)
    edges = np.cumsum([0, *(len(p.t) for p in points)])
    residual = np.maximum.reduceat(response.residual, edges[:-1]).tolist()
    gain_se = np.maximum.reduceat(response.gain_se, edges[:-1]).tolist()
    found = []
    for i, p in enumerate(points):
        mine = slice(int(edges[i]), int(edges[i + 1]))
        poor = residual[i] > analyzer.max_standard_residual or (
            drifts[i] > analyzer.max_standard_drift
        )
        gain = float(np.mean(slopes[mine]))
        found.append(
            replace(
                p,
                y=true[mine],
                w=weights[mine] if p.known_variance else p.w,
                flags=flagged[i] | BIT["calibration_poor"] * poor,
                gain=gain,
                gain_relative_se=gain_se[i] / abs(gain),
            )
        )
    return found
