"""Points of a closure corrected by the standards that the analyzer visited before it ended."""

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
    """Visits to one standard in a stretch of records; arrays of shape (v,).

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
    points: Points,
    lid: LidClosure,
    standards: list[StandardVisits],
    analyzer: Analyzer,
    kind: Kind,
    *,
    areas: bool = False,
) -> Points:
    """The points in terms of the standards.

    Only visits count that were over before the lid opened, or up to ``standard_wait_s``
    later, and that began within ``standard_hold_s`` before it closed: so a result is final
    when that time is over. Points are corrected each by the response at its own moment.
    Where too few standards were visited the points stay as they are, with a flag; peak
    areas are of no use then.
    """
    if not len(points.t):
        return points
    first = lid.closed_us - round(analyzer.standard_hold_s * SECOND)
    last = lid.opened_us + round(analyzer.after_s * SECOND)
    at = lid.closed_us / SECOND + points.t
    shown: list[tuple[Floats, Floats, StandardVisits]] = []
    drifted = 0.0
    for s in standards:
        use = (
            (s.started_us >= first)
            & (s.told_us <= last)
            & np.isfinite(s.value)
            & np.isfinite(s.value_se)
        )
        if not use.any():
            continue
        value, error = between(at, s.mid_us[use] / SECOND, s.value[use], s.value_se[use])
        shown.append((value, error, s))
        mean = float(np.mean(s.value[use]))
        if s.known > 0 and mean > 0:
            drifted = max(drifted, float(np.ptp(s.value[use])) / mean)
    different = len({s.known for _, _, s in shown})
    if different < NEEDS[kind]:
        if areas:
            return without_calibration(points)
        return replace(points, flags=points.flags | BIT["calibration_overdue"])
    known = np.array([s.known for _, _, s in shown])
    known_se = np.array([s.known_se for _, _, s in shown])
    measured = np.column_stack([value for value, _, _ in shown])
    noise = np.column_stack([error for _, error, _ in shown])
    found = with_and_without_doubt(kind, measured, noise, known, known_se)
    if not areas and _far_off(measured, known):
        points = replace(points, flags=points.flags | BIT["standards_implausible"])
    if in_opposite_order(measured, known):
        points = replace(points, flags=points.flags | BIT["standards_exchanged"])
    if found is None:
        if areas:
            return without_calibration(points)
        return replace(points, flags=points.flags | BIT["calibration_poor"])
    response, bare = found
    added = bare.se(points.y)
    return _apply(points, response, added, drifted, analyzer)


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
    points: Points, response: Response, added: Floats, drifted: float, analyzer: Analyzer
) -> Points:
    slopes = response.slope(points.y)
    flags = points.flags
    if float(np.max(response.residual)) > analyzer.max_standard_residual:
        flags |= BIT["calibration_poor"]
    if drifted > analyzer.max_standard_drift:
        flags |= BIT["calibration_poor"]
    gain = float(np.mean(slopes))
    return replace(
        points,
        y=response.true(points.y),
        w=1.0 / (slopes**2 / points.w + added**2) if points.known_variance else points.w,
        flags=flags,
        gain=gain,
        gain_relative_se=float(np.max(response.gain_se)) / abs(gain),
    )
