"""Points of a closure corrected by the standards that the analyzer visited before it ended."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stream.pipeline.points import Points
from stream.pipeline.samples import Samples, precision_nmol, to_canonical, values_of_tails
from stream.records import SECOND
from stream.science.calibration import NEEDS, Kind, Response, between, response_of
from stream.science.lid import LidClosure, Runs
from stream.science.visits import PortVisit
from stream.station import Analyzer, Station

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StandardVisits:
    """Visits to one standard in a stretch of records; arrays of shape (v,).

    Attributes
    ----------
    known, known_se : float
        The gas [nmol mol⁻¹].
    started_us, ended_us : ndarray of int64
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
    ended_us: NDArray[np.int64]
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
    scale, shift = to_canonical(station, analyzer.gases[gas])
    flush, lag = round(analyzer.flush_s * SECOND), round(analyzer.lag_s * SECOND)
    precision = precision_nmol(station, analyzer, gas)
    following = np.append(runs.first[1:], np.int64(2**62))
    joined = following - runs.last <= hold_us
    ended = np.where(joined, following, runs.last)
    told = np.where(joined, following, np.minimum(following, runs.last + hold_us + 1))
    found = []
    for standard in analyzer.standards:
        if standard.gas != gas:
            continue
        mine = np.flatnonzero(runs.state == standard.port)
        tails = [
            PortVisit(standard.port, int(runs.first[i]), int(ended[i]), True).settled(flush, lag)
            for i in mine
        ]
        values = values_of_tails(samples, tails, precision)
        found.append(
            StandardVisits(
                known=standard.value * scale + shift,
                known_se=standard.uncertainty * scale,
                started_us=runs.first[mine],
                ended_us=ended[mine] + lag,
                told_us=told[mine] + lag,
                mid_us=values.mid_us,
                value=values.value,
                value_se=values.value_se,
            )
        )
    return found


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


def calibrated(
    points: Points, lid: LidClosure, standards: list[StandardVisits], analyzer: Analyzer, gas: str
) -> Points:
    """The points in terms of the standards.

    Only visits count that were over before the lid opened, and that began within
    ``standard_hold_s`` before it closed: so a result is final as soon as its closure is.
    Points are corrected each by the response at its own moment. Where too few standards
    were visited the points stay as they are, with a flag.
    """
    kind = kind_of_response(analyzer, gas)
    if kind is None or not len(points.t):
        return points
    first = lid.closed_us - round(analyzer.standard_hold_s * SECOND)
    at = lid.closed_us / SECOND + points.t
    shown: list[tuple[Floats, Floats, StandardVisits]] = []
    drifted = 0.0
    for s in standards:
        use = (
            (s.started_us >= first)
            & (s.told_us <= lid.opened_us)
            & np.isfinite(s.value)
            & np.isfinite(s.value_se)
        )
        if not use.any():
            continue
        value, error = between(at, s.mid_us[use] / SECOND, s.value[use], s.value_se[use])
        shown.append((value, error, s))
        if s.known > 0:
            drifted = max(drifted, float(np.ptp(s.value[use])) / s.known)
    different = len({s.known for _, _, s in shown})
    if different < NEEDS[kind]:
        return replace(points, flags=points.flags | {"calibration_overdue"})
    known = np.array([s.known for _, _, s in shown])
    known_se = np.array([s.known_se for _, _, s in shown])
    responses: list[Response] = []
    added = np.empty(len(points.t))
    for i in range(len(points.t)):
        measured = np.array([value[i] for value, _, _ in shown])
        noise = np.array([error[i] for _, error, _ in shown])
        responses.append(response_of(kind, measured, known, np.hypot(noise, known_se)))
        # The noise of the visits differs from point to point and is noise of the points; the
        # doubt about the gas is the same for all, and is one about the slope.
        added[i] = response_of(kind, measured, known, noise).se(points.y[i])
    return _apply(points, responses, added, drifted, analyzer)


def _apply(
    points: Points, responses: list[Response], added: Floats, drifted: float, analyzer: Analyzer
) -> Points:
    slopes = np.array([r.slope(float(y)) for r, y in zip(responses, points.y, strict=True)])
    flags = set(points.flags)
    if max(r.residual for r in responses) > analyzer.max_standard_residual:
        flags.add("calibration_poor")
    if drifted > analyzer.max_standard_drift:
        flags.add("calibration_poor")
    gain = float(np.mean(slopes))
    return replace(
        points,
        y=np.array([float(r.true(np.array(y))) for r, y in zip(responses, points.y, strict=True)]),
        w=1.0 / (slopes**2 / points.w + added**2) if points.known_variance else points.w,
        flags=flags,
        gain=gain,
        gain_relative_se=max(r.gain_se for r in responses) / abs(gain),
    )
