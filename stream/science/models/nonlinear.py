"""The fit of a curve of three parameters that is linear but for one, whatever its shape."""

import math
from functools import partial
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
    Segments,
    fit_batch,
)
from stream.science.models.profile import BINS, average, search, shape
from stream.science.models.spread import spread

Floats = NDArray[np.float64]

PARAMETERS: Final = 3
_FEW = int(FitStatus.FEW_POINTS)
_SAME = int(FitStatus.SAME_TIME)
_NO_CURVATURE = float(FitStatus.NO_CURVATURE)
_AT_BOUND = float(FitStatus.CURVE_AT_BOUND)


@inline
def _shapes(x: Floats, z: Floats, table: Floats, kappa: float) -> tuple[Floats, Floats]:
    """The curve at κ for a slope of one, and its derivative by κ, at each point."""
    n = x.shape[0]
    phi = np.empty(n)
    der = np.empty(n)
    for i in range(n):
        g, dg = shape(table, kappa * z[i])
        phi[i] = x[i] * g
        der[i] = x[i] * z[i] * dg
    return phi, der


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
    phi, der = _shapes(x, z, table, kappa)
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


@inline
def _hindrance(t: Floats, known: bool) -> int:
    """Why the points of one closure bear no curve: a status, 0 where they do."""
    n = t.shape[0]
    if n < PARAMETERS or (n == PARAMETERS and not known):
        return _FEW
    distinct = 1
    for i in range(1, n):
        if t[i] > t[i - 1]:
            distinct += 1
    if distinct < PARAMETERS or not t[n - 1] > 0.0 or t[0] < 0.0:
        return _SAME
    return 0


@inline
def _centred(y: Floats, w: Floats) -> tuple[Floats, float, float, float]:
    """Values less their mean, the sum of the weights, the mean, the weighted sum of squares."""
    n = y.shape[0]
    sw = 0.0
    sy = 0.0
    for i in range(n):
        sw += w[i]
        sy += w[i] * (y[i] - y[0])
    mean = y[0] + sy / sw
    centred = np.empty(n)
    syy = 0.0
    for i in range(n):
        centred[i] = y[i] - mean
        syy += w[i] * centred[i] * centred[i]
    return centred, sw, mean, syy


@inline
def _first_gap(x: Floats) -> float:
    """From the first point to the next later one; 0 where there is none."""
    for i in range(1, x.shape[0]):
        if x[i] > x[0]:
            return float(x[i] - x[0])
    return 0.0


@inline
def _judged(kappa: float, top: float) -> tuple[float, float]:
    """κ, 0 where it is too small to tell, and what its place between the bounds says of it."""
    if kappa < 1e-6:
        return 0.0, _NO_CURVATURE
    if kappa > 0.999 * top:
        return kappa, _AT_BOUND
    return kappa, 0.0


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
        row = out[s]
        hindrance = _hindrance(t[a:b], known)
        if hindrance:
            row[STATUS] = hindrance
            continue
        span = t[b - 1]
        ws = w[a:b]
        x = t[a:b] / span
        z = np.sqrt(x) if rooted else x
        yc, sw, my, syy = _centred(y[a:b], ws)
        # The curve must last to the first point after closing, and between the first two.
        top = min(most, left / max(x[0], _first_gap(x)))

        if b - a > 2 * BINS:
            average(x, yc, ws, bin_x, bin_y, bin_w)
            bin_z = np.sqrt(bin_x) if rooted else bin_x
            kappa = search(x, z, yc, ws, sw, bin_x, bin_z, bin_y, bin_w, table, least, top, scan)
        else:
            kappa = search(x, z, yc, ws, sw, x, z, yc, ws, table, least, top, scan)
        kappa, status = _judged(kappa, top)
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
