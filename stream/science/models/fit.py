"""What accumulation models are given and what they give: points of many closures, and fits."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from enum import IntEnum
from os import cpu_count
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Segments:
    """Points of m closures, N in all.

    Attributes
    ----------
    t : ndarray, shape (N,)
        Time since the lid closed, at the inlet [s], not decreasing in a segment.
    y : ndarray, shape (N,)
        Dry mole fraction [nmol mol⁻¹].
    w : ndarray, shape (N,)
        Weights: 1/variance where the variance of a point is known (visits),
        relative weights otherwise.
    offsets : ndarray, shape (m + 1,)
        Segment i holds the points ``offsets[i]:offsets[i + 1]``.
    known_variance : bool
        Whether ``w`` is 1/variance in absolute terms.
    """

    t: Floats
    y: Floats
    w: Floats
    offsets: Ints
    known_variance: bool = False

    def __len__(self) -> int:
        return len(self.offsets) - 1

    @property
    def points(self) -> Ints:
        """Number of points in each segment, shape (m,)."""
        return np.diff(self.offsets)

    def slice(self, i: int) -> slice:
        """Where segment ``i`` lies in the flat arrays."""
        return slice(int(self.offsets[i]), int(self.offsets[i + 1]))


def lay_end_to_end(
    times: Sequence[Floats],
    values: Sequence[Floats],
    weights: Sequence[Floats] | None = None,
    *,
    known_variance: bool = False,
) -> Segments:
    """Segments from one array of times and one of values for each closure.

    Raises
    ------
    ValueError
        Times, values and weights do not pair up.
    """
    counts = [len(t) for t in times]
    if counts != [len(v) for v in values]:
        raise ValueError("each closure needs as many values as times")
    offsets = np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
    empty = np.empty(0)
    t = np.ascontiguousarray(np.concatenate([empty, *times]), dtype=np.float64)
    y = np.ascontiguousarray(np.concatenate([empty, *values]), dtype=np.float64)
    if weights is None:
        w = np.ones_like(t)
    else:
        if counts != [len(v) for v in weights]:
            raise ValueError("each closure needs as many weights as times")
        w = np.ascontiguousarray(np.concatenate([empty, *weights]), dtype=np.float64)
    return Segments(t, y, w, offsets, known_variance)


class FitStatus(IntEnum):
    """Why a fit can or cannot stand, stored beside it."""

    OK = 0
    FEW_POINTS = 1
    """Fewer points than the model has parameters, plus one for the noise."""
    SAME_TIME = 2
    """All points lie at one moment, or at too few distinct ones."""
    NO_CURVATURE = 3
    """The best curve is a line, or bends the other way."""
    CURVE_AT_BOUND = 4
    """The curve is over before the first point: nothing resolves it."""


STATUS_WORDS: Final = {
    FitStatus.OK: "ok",
    FitStatus.FEW_POINTS: "few_points",
    FitStatus.SAME_TIME: "same_time",
    FitStatus.NO_CURVATURE: "no_curvature",
    FitStatus.CURVE_AT_BOUND: "curve_at_bound",
}

# Columns that the kernels fill, one row a segment.
STATUS, START, START_SE, SLOPE, SLOPE_SE, CURVATURE, CURVATURE_SE, COVARIANCE = range(8)
RSS, TSS, VARIANCE, LONG_RUN = range(8, 12)
COLUMNS: Final = 12


class Reason(IntEnum):
    """Why the chosen model was chosen."""

    NO_FIT = 0
    SET_BY_STATION_FILE = 1
    FEW_POINTS = 2
    LINE_SUFFICES = 3
    CURVE_TOO_SHARP = 4
    BENDS_THE_WRONG_WAY = 5
    CURVE_RESOLVED = 6
    ONLY_CANDIDATE = 7


REASON_WORDS: Final = {
    Reason.NO_FIT: "no_fit",
    Reason.SET_BY_STATION_FILE: "set_by_station_file",
    Reason.FEW_POINTS: "few_points",
    Reason.LINE_SUFFICES: "line_suffices",
    Reason.CURVE_TOO_SHARP: "curve_too_sharp",
    Reason.BENDS_THE_WRONG_WAY: "bends_the_wrong_way",
    Reason.CURVE_RESOLVED: "curve_resolved",
    Reason.ONLY_CANDIDATE: "only_candidate",
}


@dataclass(frozen=True, slots=True)
class Fit:
    """One model fitted to m segments; every array has shape (m,).

    Attributes
    ----------
    model : str
        Name of the model.
    parameters : int
        Number of fitted coefficients p.
    points : ndarray
        Points used.
    status : ndarray of int
        :class:`FitStatus`.
    start, start_se : ndarray
        Mole fraction at the moment the lid closed, and its standard error [nmol mol⁻¹].
    slope, slope_se : ndarray
        Rate of change at that moment, and its standard error [nmol mol⁻¹ s⁻¹].
    curvature, curvature_se : ndarray
        ``saturating``: rate constant k [s⁻¹]; ``quadratic``: second coefficient
        [nmol mol⁻¹ s⁻²]; ``diffusive``: 1/τ [s⁻¹]; ``linear``, ``theil_sen``: 0.
    covariance : ndarray
        Covariance of slope and curvature.
    rss : ndarray
        Weighted residual sum of squares.
    r_squared : ndarray
        1 − RSS/TSS, weighted, centred.
    variance : ndarray
        Residual variance RSS/(n − p).
    long_run : ndarray
        Variance that the standard errors were scaled by: the long-run variance for
        samples in a row, the larger of 1 and RSS/(n − p) where the variance of each
        point is known.
    """

    model: str
    parameters: int
    points: NDArray[np.int64]
    status: NDArray[np.int64]
    start: Floats
    start_se: Floats
    slope: Floats
    slope_se: Floats
    curvature: Floats
    curvature_se: Floats
    covariance: Floats
    rss: Floats
    r_squared: Floats
    variance: Floats
    long_run: Floats

    @property
    def ok(self) -> NDArray[np.bool_]:
        """Where the fit stands."""
        return np.asarray(self.status == FitStatus.OK)


def as_fit(model: str, parameters: int, points: NDArray[np.int64], out: Floats) -> Fit:
    """Name the columns that a kernel filled, shape (m, COLUMNS)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        r_squared = 1.0 - out[:, RSS] / out[:, TSS]
    return Fit(
        model=model,
        parameters=parameters,
        points=points,
        status=out[:, STATUS].astype(np.int64),
        start=out[:, START],
        start_se=out[:, START_SE],
        slope=out[:, SLOPE],
        slope_se=out[:, SLOPE_SE],
        curvature=out[:, CURVATURE],
        curvature_se=out[:, CURVATURE_SE],
        covariance=out[:, COVARIANCE],
        rss=out[:, RSS],
        r_squared=r_squared,
        variance=out[:, VARIANCE],
        long_run=out[:, LONG_RUN],
    )


WORKERS = max(1, min(8, cpu_count() or 1))

_MIN_SEGMENTS_A_WORKER = 500
"""Fewer are done before a second thread has got the interpreter's lock: with 96 segments of
660 points two threads took 19 ms where one takes 8."""

_threads = WORKERS


def use_threads(number: int) -> None:
    """Let kernels run on so many threads at most; no result depends on it."""
    global _threads
    _threads = max(1, number)


def over_segments(run: Callable[[int, int], None], segments: int) -> None:
    """Call ``run(first, last)`` over all segments, split among threads when worth it.

    Each segment is computed on its own, so the split cannot change a result.
    """
    workers = min(_threads, segments // _MIN_SEGMENTS_A_WORKER)
    if workers <= 1:
        run(0, segments)
        return
    cuts = [segments * i // workers for i in range(workers + 1)]
    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(run, cuts[:-1], cuts[1:]))


def fit_batch(
    model: str,
    parameters: int,
    kernel: Callable[..., None],
    segments: Segments,
    *,
    correlated: bool,
) -> Fit:
    """Fit every segment with a compiled kernel, split among threads.

    Parameters
    ----------
    model : str
        Name of the model.
    parameters : int
        Number of its coefficients.
    kernel : callable
        ``kernel(t, y, w, offsets, first, last, known_variance, correlated, out)``:
        fills the rows ``first`` to ``last`` of ``out``, shape (m, COLUMNS),
        which are NaN before.
    segments : Segments
        Points of m closures.
    correlated : bool
        Whether standard errors allow for autocorrelated noise.

    Returns
    -------
    Fit
        Arrays of shape (m,).
    """
    out = np.full((len(segments), COLUMNS), np.nan)
    g = segments
    over_segments(
        lambda i, j: kernel(g.t, g.y, g.w, g.offsets, i, j, g.known_variance, correlated, out),
        len(segments),
    )
    return as_fit(model, parameters, segments.points, out)


@dataclass(frozen=True, slots=True)
class Model:
    """One accumulation model.

    Attributes
    ----------
    name : str
        As the station file writes it.
    label : str
        As a methods section writes it, with its article: ``a parabola``.
    sentence : str
        What it supposes of the soil.
    fit : callable
        ``fit(segments, *, correlated=True) -> Fit``.
    curve : callable
        ``curve(start, slope, curvature, t)``: mole fraction [nmol mol⁻¹] at times t ≥ 0 [s]
        after closing, shape (n,); the numbers as in :class:`Fit`.
    rate : callable, optional
        ``rate(fit, end_s)``: the rate constant k [s⁻¹] of the saturating curve that bends
        as much by ``end_s`` [s], shape (m,). None for a straight line.
    turns : bool
        Whether the curve turns back within reach, as a headspace never does.
    behind : tuple of (str, float), optional
        A model that must do worse by more than so much, in the criterion, for this one to
        be taken before it.
    holds_storage : bool
        Whether the gas that the soil stores while the lid is closed is in the model, so
        that no correction is due.
    """

    name: str
    label: str
    sentence: str
    fit: Callable[..., Fit]
    curve: Callable[[float, float, float, Floats], Floats]
    rate: Callable[[Fit, Floats], Floats] | None = None
    turns: bool = False
    behind: tuple[str, float] | None = None
    holds_storage: bool = False

    @property
    def straight(self) -> bool:
        """Whether it has no curvature."""
        return self.rate is None


def line(start: float, slope: float, _curvature: float, t: Floats) -> Floats:
    """The curve of a straight model."""
    return np.asarray(start + slope * t)
