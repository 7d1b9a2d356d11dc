"""The line: a constant rate of change."""

import math

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import kernel
from stream.science.models.batch import fit_batch
from stream.science.models.result import (
    COLUMNS,
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
from stream.science.segments import Segments

PARAMETERS = 2
_FEW = int(FitStatus.FEW_POINTS)
_SAME = int(FitStatus.SAME_TIME)


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
    for s in range(first, last):
        a, b = offsets[s], offsets[s + 1]
        n = b - a
        row = out[s]
        for j in range(COLUMNS):
            row[j] = math.nan
        if n < PARAMETERS or (n == PARAMETERS and not known):
            row[STATUS] = _FEW
            continue
        sw = 0.0
        st = 0.0
        sy = 0.0
        t0 = t[a]
        y0 = y[a]
        for i in range(a, b):
            sw += w[i]
            st += w[i] * (t[i] - t0)
            sy += w[i] * (y[i] - y0)
        mt = t0 + st / sw
        my = y0 + sy / sw
        sxx = 0.0
        sxy = 0.0
        syy = 0.0
        for i in range(a, b):
            dt = t[i] - mt
            dy = y[i] - my
            sxx += w[i] * dt * dt
            sxy += w[i] * dt * dy
            syy += w[i] * dy * dy
        if not sxx > 0.0:
            row[STATUS] = _SAME
            continue
        slope = sxy / sxx
        residual = np.empty(n)
        rss = 0.0
        for i in range(a, b):
            r = (y[i] - my) - slope * (t[i] - mt)
            residual[i - a] = r
            rss += w[i] * r * r
        scale = spread(row, residual, rss, PARAMETERS, known, correlated)
        row[STATUS] = 0.0
        row[START] = my - slope * mt
        row[START_SE] = math.sqrt(scale * (1.0 / sw + mt * mt / sxx))
        row[SLOPE] = slope
        row[SLOPE_SE] = math.sqrt(scale / sxx)
        row[5] = 0.0
        row[6] = 0.0
        row[7] = 0.0
        row[TSS] = syy


def fit(segments: Segments, *, correlated: bool = True) -> Fit:
    """Fit C(t) = C₀ + s₀ t by least squares (Eq. 7 of METHODS.md).

    Parameters
    ----------
    segments : Segments
        Points of m closures, time zero at the closing of the lid.
    correlated : bool
        Whether standard errors allow for autocorrelated noise.

    Returns
    -------
    Fit
        Slope and start with standard errors, shape (m,).
    """
    return fit_batch("linear", PARAMETERS, _fit, segments, correlated=correlated)
