"""The robust line: the median of the slopes between points, which spikes do not move.

After [Theil1950]_ and [Sen1968]_ (Eq. 20 of METHODS.md). Of more than
:data:`COMPLETE` points, medians of as many groups in a row are taken first: spikes still
do not matter, the number of pairs stays bounded, and about a third of the precision of
least squares on clean points is given up.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import inline, kernel
from stream.science.models.fit import (
    COVARIANCE,
    CURVATURE,
    CURVATURE_SE,
    SLOPE,
    SLOPE_SE,
    START,
    START_SE,
    STATUS,
    TSS,
    Fit,
    FitStatus,
    Floats,
    Model,
    Segments,
    fit_batch,
    line,
)
from stream.science.models.order_statistics import median_of, sorted_between
from stream.science.models.spread import spread

PARAMETERS = 2
_FEW = int(FitStatus.FEW_POINTS)
_SAME = int(FitStatus.SAME_TIME)
COMPLETE: Final = 60
"""Points, or medians of groups of points, whose pairs are all used."""
SURE: Final = 10
"""Points from which the spread of the pairs is believed by itself."""
_NORMAL: Final = 1.959963984540054
"""97.5 % point of the normal distribution."""


@inline
def _place(rank: float, count: int) -> int:
    """Place counted from 0 of a rank counted from 1, bounded by the ends."""
    return min(max(int(rank) - 1, 0), count - 1)


@inline
def _grouped(t: Floats, y: Floats, room: Floats) -> tuple[Floats, Floats]:
    """The points, or medians of :data:`COMPLETE` groups of them in a row."""
    n = t.shape[0]
    if n <= COMPLETE:
        return t.copy(), y.copy()
    x = np.empty(COMPLETE)
    v = np.empty(COMPLETE)
    for j in range(COMPLETE):
        i0 = n * j // COMPLETE
        i1 = n * (j + 1) // COMPLETE
        x[j] = 0.5 * (t[(i0 + i1 - 1) // 2] + t[(i0 + i1) // 2])  # times are in order
        v[j] = median_of(y[i0:i1], room)
    return x, v


@inline
def _pair_slopes(x: Floats, v: Floats) -> Floats:
    """Slopes between all points of different times."""
    m = x.shape[0]
    slopes = np.empty(m * (m - 1) // 2)
    count = 0
    for i in range(m):
        for j in range(i + 1, m):
            if x[j] > x[i]:
                slopes[count] = (v[j] - v[i]) / (x[j] - x[i])
                count += 1
    return slopes[:count]


@inline
def _median_between(slopes: Floats, m: int) -> tuple[float, float, float]:
    """Median of the slopes between m points, and the ends of its 95 % interval.

    Sen's interval by the variance of Kendall's S, without ties of values.
    """
    count = slopes.shape[0]
    sigma = math.sqrt(m * (m - 1) * (2 * m + 5) / 18.0)
    reach = _NORMAL * sigma
    low_at = _place(round((count - reach) / 2.0), count)
    high_at = _place(round((count + reach) / 2.0) + 1.0, count)
    a_at, b_at = (count - 1) // 2, count // 2
    ordered, begun = sorted_between(slopes, min(low_at, a_at), max(high_at, b_at))
    slope = 0.5 * (ordered[a_at - begun] + ordered[b_at - begun])
    return slope, ordered[low_at - begun], ordered[high_at - begun]


@inline
def _residuals(
    t: Floats, y: Floats, w: Floats, start: float, slope: float
) -> tuple[Floats, float, float]:
    """What the line leaves, and the sums of its squares: weighted, and plain."""
    residual = np.empty(t.shape[0])
    rss = 0.0
    plain = 0.0
    for i in range(t.shape[0]):
        r = y[i] - start - slope * t[i]
        residual[i] = r
        plain += r * r
        rss += w[i] * r * r
    return residual, rss, plain


@inline
def _weights_and_squares(y: Floats, w: Floats) -> tuple[float, float]:
    """Sum of the weights, and the weighted sum of squares about the weighted mean."""
    sw = 0.0
    sy = 0.0
    for i in range(y.shape[0]):
        sw += w[i]
        sy += w[i] * (y[i] - y[0])
    mean = y[0] + sy / sw
    syy = 0.0
    for i in range(y.shape[0]):
        syy += w[i] * (y[i] - mean) * (y[i] - mean)
    return sw, syy


@kernel
def _fit(
    t: NDArray[np.float64],
    y: NDArray[np.float64],
    w: NDArray[np.float64],
    offsets: NDArray[np.int64],
    first: int,
    last: int,
    known: bool,
    correlated: bool,
    out: NDArray[np.float64],
) -> None:
    room = np.empty(32)
    for s in range(first, last):
        a, b = offsets[s], offsets[s + 1]
        n = b - a
        row = out[s]
        if n < PARAMETERS + 1:
            row[STATUS] = _FEW
            continue
        x, v = _grouped(t[a:b], y[a:b], room)
        m = x.shape[0]
        slopes = _pair_slopes(x, v)
        if slopes.shape[0] == 0:
            row[STATUS] = _SAME
            continue
        slope, low, high = _median_between(slopes, m)

        start = np.median(v - slope * x)
        residual, rss, plain = _residuals(t[a:b], y[a:b], w[a:b], start, slope)
        sw, syy = _weights_and_squares(y[a:b], w[a:b])
        scale = spread(row, residual, rss, PARAMETERS, known, correlated)
        # Noise in a row makes the interval wider than that of independent points.
        wide = 1.0
        if correlated and not known and rss > 0.0 and n > PARAMETERS:
            wide = math.sqrt(max(1.0, scale * (n - PARAMETERS) / rss))
        slope_se = wide * (high - low) / (2.0 * _NORMAL)
        mean_t = 0.0
        for i in range(a, b):
            mean_t += t[i]
        mean_t /= n
        if m < SURE:
            # A few pairs make a narrow interval by chance: not surer than least squares.
            weighted_t = np.sum(w[a:b] * t[a:b]) / sw
            sxx = np.sum(w[a:b] * (t[a:b] - weighted_t) ** 2)
            slope_se = max(slope_se, math.sqrt(scale / sxx))
        row[STATUS] = 0.0
        row[START] = start
        # Median of the residuals, π/2 times the variance of a mean for normal noise, and the
        # slope's error over the mean time.
        row[START_SE] = math.hypot(
            wide * math.sqrt(0.5 * math.pi * plain / n / n), slope_se * mean_t
        )
        row[SLOPE] = slope
        row[SLOPE_SE] = slope_se
        row[CURVATURE] = 0.0
        row[CURVATURE_SE] = 0.0
        row[COVARIANCE] = 0.0
        row[TSS] = syy


def fit(segments: Segments, *, correlated: bool = True) -> Fit:
    """Fit C(t) = C₀ + s₀ t by the median of pairwise slopes.

    Parameters
    ----------
    segments : Segments
        Points of m closures, time zero at the closing of the lid. Weights do not bear
        on the slope.
    correlated : bool
        Whether the standard error allows for autocorrelated noise.

    Returns
    -------
    Fit
        Slope with the standard error that its 95 % interval implies, and the median of
        C − s₀ t as start, shape (m,).
    """
    return fit_batch("theil_sen", PARAMETERS, _fit, segments, correlated=correlated)


MODEL = Model(
    name="theil_sen",
    label="a robust line",
    sentence="The soil emits at the same rate; a few stray points do not move the line.",
    fit=fit,
    curve=line,
)
