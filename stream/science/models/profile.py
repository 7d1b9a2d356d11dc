"""What curves that are linear but for one parameter share: averages for the search, and the
last two passes once the parameter is found.
"""

import math

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import inline
from stream.science.models.result import SLOPE, SLOPE_SE, START, START_SE, STATUS, TSS
from stream.science.models.spread import spread

Floats = NDArray[np.float64]


@inline
def average(x: Floats, y: Floats, w: Floats, bx: Floats, by: Floats, bw: Floats) -> None:
    """Weighted means of as many groups of points in a row as ``bx`` has places."""
    n = x.shape[0]
    bins = bx.shape[0]
    for j in range(bins):
        i0 = n * j // bins
        i1 = n * (j + 1) // bins
        weight = 0.0
        xs = 0.0
        ys = 0.0
        for i in range(i0, i1):
            weight += w[i]
            xs += w[i] * x[i]
            ys += w[i] * y[i]
        bw[j] = weight
        bx[j] = xs / weight
        by[j] = ys / weight


@inline
def finish(
    row: Floats,
    status: float,
    phi: Floats,
    der: Floats,
    yc: Floats,
    ws: Floats,
    sw: float,
    my: float,
    syy: float,
    span: float,
    parameters: int,
    known: bool,
    correlated: bool,
) -> tuple[float, float, float]:
    """Fill the columns of one row but for the curvature.

    ``phi`` and ``der`` are the curve at the points and its derivative by the parameter,
    ``yc`` the values less their mean ``my``, time scaled by ``span``.

    Returns the slope in scaled time, and the variance of the parameter and its
    covariance with the slope, both times the slope or its square.
    """
    n = phi.shape[0]
    mp = 0.0
    md = 0.0
    for i in range(n):
        mp += ws[i] * phi[i]
        md += ws[i] * der[i]
    mp /= sw
    md /= sw
    cpp = 0.0
    cpd = 0.0
    cdd = 0.0
    cpy = 0.0
    for i in range(n):
        p = phi[i] - mp
        d = der[i] - md
        cpp += ws[i] * p * p
        cpd += ws[i] * p * d
        cdd += ws[i] * d * d
        cpy += ws[i] * p * yc[i]
    rate = cpy / cpp
    residual = np.empty(n)
    rss = 0.0
    for i in range(n):
        r = yc[i] - rate * (phi[i] - mp)
        residual[i] = r
        rss += ws[i] * r * r
    scale = spread(row, residual, rss, parameters, known, correlated)
    determinant = cpp * cdd - cpd * cpd
    row[STATUS] = status
    row[START] = my - rate * mp
    row[SLOPE] = rate / span
    row[SLOPE_SE] = math.sqrt(scale * cdd / determinant) / span
    row[TSS] = syy
    # Start = mean(y) − rate·mean(φ): its variance needs all three coefficients.
    row[START_SE] = math.sqrt(
        scale / sw + (mp * mp * cdd - 2.0 * mp * md * cpd + md * md * cpp) * scale / determinant
    )
    return rate, scale * cpp / determinant, -scale * cpd / determinant
