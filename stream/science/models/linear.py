"""The line: a constant rate of change."""

import math

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import kernel
from stream.science.models.centre import weighted_centre
from stream.science.models.fit import (
    SLOPE,
    SLOPE_SE,
    START,
    START_SE,
    STATUS,
    TSS,
    Fit,
    FitStatus,
    Model,
    Segments,
    fit_batch,
    line,
)
from stream.science.models.spread import spread

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
        if n < PARAMETERS or (n == PARAMETERS and not known):
            row[STATUS] = _FEW
            continue
        sw, mt, my = weighted_centre(t[a:b], y[a:b], w[a:b])
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


MODEL = Model(
    name="linear",
    label="a line",
    sentence="The soil emits at the same rate as long as the lid is closed.",
    fit=fit,
    curve=line,
)
