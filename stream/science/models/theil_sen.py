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
from stream.science.models.batch import fit_batch
from stream.science.models.result import (
    COLUMNS,
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
)
from stream.science.models.spread import spread
from stream.science.order_statistics import median_of, sorted_between
from stream.science.segments import Segments

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
        for j in range(COLUMNS):
            row[j] = math.nan
        if n < PARAMETERS + 1:
            row[STATUS] = _FEW
            continue
        if n > COMPLETE:
            x = np.empty(COMPLETE)
            v = np.empty(COMPLETE)
            for j in range(COMPLETE):
                i0 = a + n * j // COMPLETE
                i1 = a + n * (j + 1) // COMPLETE
                x[j] = 0.5 * (t[(i0 + i1 - 1) // 2] + t[(i0 + i1) // 2])  # times are in order
                v[j] = median_of(y[i0:i1], room)
        else:
            x = t[a:b].copy()
            v = y[a:b].copy()
        m = x.shape[0]
        slopes = np.empty(m * (m - 1) // 2)
        count = 0
        for i in range(m):
            for j in range(i + 1, m):
                if x[j] > x[i]:
                    slopes[count] = (v[j] - v[i]) / (x[j] - x[i])
                    count += 1
        if count == 0:
            row[STATUS] = _SAME
            continue
        # Sen's interval by the variance of Kendall's S, without ties of values.
        sigma = math.sqrt(m * (m - 1) * (2 * m + 5) / 18.0)
        reach = _NORMAL * sigma
        low_at = _place(round((count - reach) / 2.0), count)
        high_at = _place(round((count + reach) / 2.0) + 1.0, count)
        a_at, b_at = (count - 1) // 2, count // 2
        ordered, begun = sorted_between(slopes[:count], min(low_at, a_at), max(high_at, b_at))
        slope = 0.5 * (ordered[a_at - begun] + ordered[b_at - begun])
        low = ordered[low_at - begun]
        high = ordered[high_at - begun]

        sw = 0.0
        sy = 0.0
        for i in range(a, b):
            sw += w[i]
            sy += w[i] * (y[i] - y[a])
        mean = y[a] + sy / sw
        start = np.median(v - slope * x)
        residual = np.empty(n)
        rss = 0.0
        syy = 0.0
        plain = 0.0
        for i in range(a, b):
            r = y[i] - start - slope * t[i]
            residual[i - a] = r
            plain += r * r
            rss += w[i] * r * r
            syy += w[i] * (y[i] - mean) * (y[i] - mean)
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
