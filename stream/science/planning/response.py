"""What the records say of lag, flushing and dead band: aids for a person who decides."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from stream.science.closures.window import known
from stream.science.kernel import kernel

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stack:
    """Many events laid over one another, in bins of time.

    Attributes
    ----------
    t : ndarray, shape (b,)
        Middles of the bins, since the edge [s].
    median, se : ndarray, shape (b,)
        Median over the events and its standard error, from their median deviation; NaN
        where fewer than five events have a value.
    events : int
        How many were laid over one another.
    """

    t: Floats
    median: Floats
    se: Floats
    events: int


@kernel
def _medians(values: Floats, cuts: NDArray[np.int64], medians: Floats) -> None:
    """The median of what is known between each cut and the next; what has none stays."""
    for j in range(medians.shape[0]):
        part = known(values[cuts[j] : cuts[j + 1]])
        if part.shape[0]:
            medians[j] = np.median(part)


def stack(times: Sequence[Floats], values: Sequence[Floats], edges: Floats) -> Stack:
    """Lay events over one another: one value an event and bin, then the median of events,
    so that neither one wild event nor one wild sample counts.

    Parameters
    ----------
    times, values : sequence of ndarray
        Of each event, since its edge [s], increasing.
    edges : ndarray, shape (b + 1,)
        Of the bins, increasing [s].

    Returns
    -------
    Stack
    """
    bins = len(edges) - 1
    table = np.full((len(times), bins), np.nan)
    for row, t, v in zip(table, times, values, strict=True):
        _medians(v, np.searchsorted(t, edges), row)
    count = (~np.isnan(table)).sum(axis=0)
    median, se = np.full(bins, np.nan), np.full(bins, np.nan)
    for j in range(bins):
        if count[j] < 5:
            continue
        column = table[~np.isnan(table[:, j]), j]
        median[j] = np.median(column)
        spread = 1.4826 * np.median(np.abs(column - median[j]))
        # The variance of a median is π/2 times that of a mean, for normal noise.
        se[j] = np.sqrt(np.pi / 2 / len(column)) * spread
    return Stack(0.5 * (edges[1:] + edges[:-1]), median, se, len(times))


def settled_from(found: Stack, tolerance: float) -> float | None:
    """From when on a stack stays near zero.

    Parameters
    ----------
    found : Stack
        Of deviations.
    tolerance : float
        What is near; three standard errors where those are larger.

    Returns
    -------
    float or None
        Beginning of the first bin from which no two in a row lie outside on one side [s];
        None where the last ones do.
    """
    known = ~np.isnan(found.median)
    t, far = found.t[known], np.abs(found.median[known])
    # Of many bins one lies outside by chance, two in a row on one side hardly.
    out = far > np.maximum(tolerance, 3.0 * found.se[known])
    side = np.sign(found.median[known])
    pair = out[1:] & out[:-1] & (side[1:] == side[:-1])
    outside = np.flatnonzero(np.append(pair, False) | np.append(False, pair))
    width = float(np.min(np.diff(found.t))) if len(found.t) > 1 else 0.0
    if not len(outside):
        return float(t[0] - width / 2) if len(t) else None
    last = outside[-1]
    return None if last == len(t) - 1 else float(t[last + 1] - width / 2)


def crossing_lag(start: Floats, slope: Floats, curvature: Floats, before: Floats) -> Floats:
    """When curves, followed back, cross the level from before the lid closed.

    Parameters
    ----------
    start, slope, curvature : ndarray, shape (n,)
        C₀, s₀ and k of saturating curves in time of the record [nmol mol⁻¹, nmol mol⁻¹ s⁻¹,
        s⁻¹].
    before : ndarray, shape (n,)
        Level before [nmol mol⁻¹].

    Returns
    -------
    ndarray, shape (n,)
        Time of the crossing [s]: delay and mixing together, since a ramp behind both lags
        by their sum. NaN where a curve never has that level.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        rise = (before - start) / slope
        bent = -np.log1p(-curvature * rise) / curvature
    return np.where(curvature > 0, bent, rise)


def step_response(t: Floats, left: Floats) -> tuple[float, float] | None:
    """Delay and mixing time of the answer to a step.

    Parameters
    ----------
    t : ndarray, shape (n,)
        Since the step [s].
    left : ndarray, shape (n,)
        Share of the step that is still to come: 1 before it is felt, 0 in the end; NaN
        where it is not known.

    Returns
    -------
    tuple of float or None
        (delay, mixing) of exp(−(t − delay)/mixing) [s], by least squares that far points
        do not rule; None where no step is seen.
    """
    known = ~np.isnan(left)
    t, left = t[known], left[known]
    if len(t) < 5 or not (left > 0.7).any() or not (left < 0.3).any():
        return None
    half = float(t[np.argmax(left < 0.5)])

    def off(p: Floats) -> Floats:
        delay, mixing = p
        return np.where(t < delay, 1.0, np.exp(-np.maximum(t - delay, 0.0) / mixing)) - left

    span = float(np.ptp(t))
    best = None
    for share in (0.95, 0.7, 0.4):
        begin = [max(half * share, float(t[0])), max(0.5, half * (1 - share))]
        result = optimize.least_squares(
            off, begin, bounds=([float(t[0]), 1e-2], [float(t[-1]), span]), loss="soft_l1",
            f_scale=0.02,
        )  # fmt: skip
        if best is None or result.cost < best.cost:
            best = result
    if best is None:
        return None
    delay, mixing = best.x
    return float(delay), float(mixing)


def middle_and_spread(values: Floats) -> tuple[float, float]:
    """Median and its standard error, from the median deviation; NaN where nothing is known."""
    known = values[~np.isnan(values)]
    if not len(known):
        return float("nan"), float("nan")
    middle = float(np.median(known))
    spread = 1.4826 * float(np.median(np.abs(known - middle)))
    return middle, float(np.sqrt(np.pi / 2 / len(known))) * spread
