"""The fit of a curve of three parameters that is linear but for one, whatever its shape."""

import math
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import inline, kernel
from stream.science.models.batch import fit_batch
from stream.science.models.profile import BINS, average, search, shape
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

Floats = NDArray[np.float64]

PARAMETERS: Final = 3
_FEW = int(FitStatus.FEW_POINTS)
_SAME = int(FitStatus.SAME_TIME)
_NO_CURVATURE = int(FitStatus.NO_CURVATURE)
_AT_BOUND = int(FitStatus.CURVE_AT_BOUND)


@inline
def finish(
    row: Floats,
    status: float,
    x: Floats,
    z: Floats,
    table: Floats,
    kappa: float,
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
    """Fill the columns of one row but for the curvature, at the κ that was found.

    ``yc`` are the values less their mean ``my``, time is scaled by ``span``.

    Returns the slope in scaled time, and the variance of κ and its covariance with the
    slope, both times the slope or its square.
    """
    n = x.shape[0]
    phi = np.empty(n)
    der = np.empty(n)
    for i in range(n):
        g, dg = shape(table, kappa * z[i])
        phi[i] = x[i] * g
        der[i] = x[i] * z[i] * dg
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


@kernel
def _fit(
    t: Floats,
    y: Floats,
    w: Floats,
    offsets: NDArray[np.int64],
    first: int,
    last: int,
    known: bool,
    correlated: bool,
    out: Floats,
    table: Floats,
    rooted: bool,
    least: float,
    most: float,
    left: float,
    scan: int,
) -> None:
    bin_x = np.empty(BINS)
    bin_y = np.empty(BINS)
    bin_w = np.empty(BINS)
    for s in range(first, last):
        a, b = offsets[s], offsets[s + 1]
        n = b - a
        row = out[s]
        for j in range(COLUMNS):
            row[j] = math.nan
        if n < PARAMETERS or (n == PARAMETERS and not known):
            row[STATUS] = _FEW
            continue
        span = t[b - 1]
        distinct = 1
        for i in range(a + 1, b):
            if t[i] > t[i - 1]:
                distinct += 1
        if distinct < PARAMETERS or not span > 0.0 or t[a] < 0.0:
            row[STATUS] = _SAME
            continue
        ws = w[a:b]
        x = t[a:b] / span
        z = np.sqrt(x) if rooted else x
        yc = np.empty(n)
        sw = 0.0
        sy = 0.0
        y0 = y[a]
        for i in range(n):
            sw += ws[i]
            sy += ws[i] * (y[a + i] - y0)
        my = y0 + sy / sw
        syy = 0.0
        for i in range(n):
            yc[i] = y[a + i] - my
            syy += ws[i] * yc[i] * yc[i]
        # The curve must last to the first point after closing, and between the first two.
        gap = 0.0
        for i in range(1, n):
            if x[i] > x[0]:
                gap = x[i] - x[0]
                break
        top = min(most, left / max(x[0], gap))

        if n > 2 * BINS:
            average(x, yc, ws, bin_x, bin_y, bin_w)
            bin_z = np.sqrt(bin_x) if rooted else bin_x
            kappa = search(x, z, yc, ws, sw, bin_x, bin_z, bin_y, bin_w, table, least, top, scan)
        else:
            kappa = search(x, z, yc, ws, sw, x, z, yc, ws, table, least, top, scan)
        status = 0.0
        if kappa < 1e-6:
            kappa = 0.0
            status = _NO_CURVATURE
        elif kappa > 0.999 * top:
            status = _AT_BOUND
        rate, variance, covariance = finish(
            row, status, x, z, table, kappa, yc, ws, sw, my, syy, span, PARAMETERS, known,
            correlated,
        )  # fmt: skip
        # With z a root of time, κ² is the rate, and its error 2κ times that of κ.
        stretch = 2.0 * kappa if rooted else 1.0
        row[CURVATURE] = (kappa * kappa if rooted else kappa) / span
        if rate != 0.0:
            row[CURVATURE_SE] = stretch * math.sqrt(variance) / (abs(rate) * span)
            row[COVARIANCE] = stretch * covariance / rate / (span * span)
        else:
            row[CURVATURE_SE] = math.inf


def fit_nonlinear(
    model: str,
    table: Floats,
    segments: Segments,
    *,
    rooted: bool,
    least: float,
    most: float,
    scan: int,
    left: float = math.inf,
    correlated: bool,
) -> Fit:
    """Fit a curve of three parameters to m segments.

    Parameters
    ----------
    model : str
        Its name.
    table : ndarray
        Of its shape G, from :func:`stream.science.models.profile.cubics`.
    segments : Segments
        Points of m closures, time zero at the closing of the lid, none before it.
    rooted : bool
        Whether z is the root of scaled time, or time itself.
    least, most : float
        The κ where the scan begins after 0, and where it ends.
    scan : int
        Values of the scan.
    left : float
        The scan ends where κ times the time to the first point, or from the first to the
        second, is this.
    correlated : bool
        Whether standard errors allow for autocorrelated noise.

    Returns
    -------
    Fit
        With κ, or κ² where it is rooted, by the last point's time as curvature, shape (m,).
    """

    kernel_of = partial(
        _fit, table=table, rooted=rooted, least=least, most=most, left=left, scan=scan
    )
    return fit_batch(model, PARAMETERS, kernel_of, segments, correlated=correlated)
