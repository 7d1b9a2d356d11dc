"""The parabola: a rate of change that falls steadily."""

import math

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import kernel
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
from stream.science.segments import Segments

PARAMETERS = 3
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
        half = max(t[b - 1] - mt, mt - t[a])
        if not half > 0.0:
            row[STATUS] = _SAME
            continue
        # Orthogonal polynomials in x = (t − mean)/half: 1, x, x² − m2 − alpha x.
        s2 = 0.0
        s3 = 0.0
        sxy = 0.0
        syy = 0.0
        for i in range(a, b):
            x = (t[i] - mt) / half
            dy = y[i] - my
            s2 += w[i] * x * x
            s3 += w[i] * x * x * x
            sxy += w[i] * x * dy
            syy += w[i] * dy * dy
        m2 = s2 / sw
        alpha = s3 / s2
        b1 = sxy / s2
        sqq = 0.0
        sqy = 0.0
        for i in range(a, b):
            x = (t[i] - mt) / half
            q = x * x - m2 - alpha * x
            sqq += w[i] * q * q
            sqy += w[i] * q * ((y[i] - my) - b1 * x)
        if not sqq > 1e-12 * s2:
            row[STATUS] = _SAME
            continue
        b2 = sqy / sqq
        residual = np.empty(n)
        rss = 0.0
        for i in range(a, b):
            x = (t[i] - mt) / half
            r = (y[i] - my) - b1 * x - b2 * (x * x - m2 - alpha * x)
            residual[i - a] = r
            rss += w[i] * r * r
        scale = spread(row, residual, rss, PARAMETERS, known, correlated)
        x0 = -mt / half
        q0 = x0 * x0 - m2 - alpha * x0
        dq0 = 2.0 * x0 - alpha
        row[STATUS] = 0.0
        row[START] = my + b1 * x0 + b2 * q0
        row[START_SE] = math.sqrt(scale * (1.0 / sw + x0 * x0 / s2 + q0 * q0 / sqq))
        row[SLOPE] = (b1 + b2 * dq0) / half
        row[SLOPE_SE] = math.sqrt(scale * (1.0 / s2 + dq0 * dq0 / sqq)) / half
        row[CURVATURE] = b2 / (half * half)
        row[CURVATURE_SE] = math.sqrt(scale / sqq) / (half * half)
        row[COVARIANCE] = scale * dq0 / sqq / (half * half * half)
        row[TSS] = syy


def fit(segments: Segments, *, correlated: bool = True) -> Fit:
    """Fit C(t) = C₀ + s₀ t + c t² by least squares (Eq. 8 of METHODS.md).

    Parameters
    ----------
    segments : Segments
        Points of m closures, time zero at the closing of the lid.
    correlated : bool
        Whether standard errors allow for autocorrelated noise.

    Returns
    -------
    Fit
        Slope s₀ at time zero, start, and c as curvature, shape (m,).

    Notes
    -----
    After [Wagner1997]_; computed in orthogonal polynomials of centred, scaled time.
    """
    return fit_batch("quadratic", PARAMETERS, _fit, segments, correlated=correlated)
