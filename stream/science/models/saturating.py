"""The saturating curve: gas in the headspace slows the soil's own emission.

C(t) = C₀ + s₀ φ(t; k), φ = (1 − e^(−kt))/k (Eq. 9 of METHODS.md), the form of
[HutchinsonMosier1981]_ and [Pedersen2010]_ written with the initial slope s₀ as a
coefficient: it is a line as k goes to zero, and given k it is linear in C₀ and s₀.
So only k is searched for (variable projection, [GolubPereyra1973]_), without a
starting value: a scan on averaged points, then Newton steps on all points.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import inline, kernel
from stream.science.models.batch import fit_batch
from stream.science.models.profile import average, finish
from stream.science.models.result import (
    COLUMNS,
    COVARIANCE,
    CURVATURE,
    CURVATURE_SE,
    STATUS,
    Fit,
    FitStatus,
)
from stream.science.segments import Segments

PARAMETERS = 3
_FEW = int(FitStatus.FEW_POINTS)
_SAME = int(FitStatus.SAME_TIME)
_NO_CURVATURE = int(FitStatus.NO_CURVATURE)
_AT_BOUND = int(FitStatus.CURVE_AT_BOUND)

_BINS: Final = 32
_GRID: Final = 12
_SMALL: Final = 0.1
MAX_CURVE: Final = 500.0
"""Largest k·T that is searched."""
LEFT_TO_BE_SEEN: Final = 3.0
"""The search ends where k times the time to the first point, or from the first to the
second, is this: e⁻³ of the curve is then left to be seen."""


@inline
def _basis(u: float) -> tuple[float, float]:
    """g(u) = (1 − e^−u)/u and its derivative, exact to rounding down to u = 0."""
    if u < _SMALL:
        g = 1.0
        dg = 0.0
        term = 1.0
        for j in range(1, 11):
            # term = (−u)^(j−1)/j!, so that g gains (−u)^j/(j+1)! and dg −j(−u)^(j−1)/(j+1)!
            dg -= j * term / (j + 1)
            term = -term * u / (j + 1)
            g += term
        return g, dg
    e = math.exp(-u)
    g = (1.0 - e) / u
    return g, (e - g) / u


@inline
def _project(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    w: NDArray[np.float64],
    sw: float,
    xr: float,
    kappa: float,
) -> tuple[float, float, float]:
    """Profile at κ: what the curve explains, half the RSS's gradient, its Gauss–Newton slope.

    ``y`` is centred, so that Σ w y = 0. Moments are taken about the mean time ``xr``.
    """
    n = x.shape[0]
    gr, dgr = _basis(kappa * xr)
    pr = xr * gr
    dr = xr * xr * dgr
    sp = 0.0
    sd = 0.0
    spp = 0.0
    spd = 0.0
    sdd = 0.0
    spy = 0.0
    sdy = 0.0
    for i in range(n):
        g, dg = _basis(kappa * x[i])
        p = x[i] * g - pr
        d = x[i] * x[i] * dg - dr
        wp = w[i] * p
        wd = w[i] * d
        sp += wp
        sd += wd
        spp += wp * p
        spd += wp * d
        sdd += wd * d
        spy += wp * y[i]
        sdy += wd * y[i]
    cpp = spp - sp * sp / sw
    cpd = spd - sp * sd / sw
    cdd = sdd - sd * sd / sw
    slope = spy / cpp
    gradient = -slope * (sdy - slope * cpd)
    curve = slope * slope * (cdd - cpd * cpd / cpp)
    return slope * spy, gradient, curve


@inline
def _descend(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    w: NDArray[np.float64],
    sw: float,
    xr: float,
    kappa: float,
    low: float,
    high: float,
    tolerance: float,
) -> float:
    """Root of the gradient between ``low`` and ``high``: Newton, then secant, else halving."""
    before = 0.0
    gradient_before = 0.0
    for step in range(60):
        _, gradient, curve = _project(x, y, w, sw, xr, kappa)
        if gradient < 0.0:
            low = kappa
        else:
            high = kappa
        if step > 0 and (gradient - gradient_before) * (kappa - before) > 0.0:
            move = -gradient * (kappa - before) / (gradient - gradient_before)
        elif curve > 0.0:
            move = -gradient / curve
        else:
            move = math.nan
        before = kappa
        gradient_before = gradient
        following = kappa + move
        if not (low <= following <= high):
            following = 0.5 * (low + high)
        kappa = following
        if abs(kappa - before) <= tolerance * kappa or high - low <= 1e-15 * high:
            break
    return kappa


@inline
def _locate(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    w: NDArray[np.float64],
    sw: float,
    xr: float,
    top: float,
    tolerance: float,
) -> tuple[float, float, float]:
    """Scan κ from 0 to ``top``; return the best and the bracket around it."""
    ratio = (top / 0.05) ** (1.0 / (_GRID - 2))
    best = 0
    explained = -1.0
    value = 0.05
    for j in range(_GRID):
        if j == 0:
            gain, gradient, _ = _project(x, y, w, sw, xr, 0.0)
            downhill = gradient < 0.0
        else:
            gain, _, _ = _project(x, y, w, sw, xr, value)
            value *= ratio
        if gain > explained:
            explained = gain
            best = j
    if best == 0 and not downhill:
        return 0.0, 0.0, 0.0
    low = 0.0 if best <= 1 else 0.05 * ratio ** (best - 2)
    high = 0.05 * ratio**best if best < _GRID - 1 else top
    middle = 0.025 if best == 0 else 0.05 * ratio ** (best - 1)
    return _descend(x, y, w, sw, xr, min(middle, high), low, high, tolerance), low, high


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
    bin_x = np.empty(_BINS)
    bin_y = np.empty(_BINS)
    bin_w = np.empty(_BINS)
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
        if distinct < PARAMETERS or not span > 0.0:
            row[STATUS] = _SAME
            continue
        ws = w[a:b]
        x = np.empty(n)
        yc = np.empty(n)
        sw = 0.0
        sy = 0.0
        xr = 0.0
        y0 = y[a]
        for i in range(n):
            x[i] = t[a + i] / span
            sw += ws[i]
            xr += ws[i] * x[i]
            sy += ws[i] * (y[a + i] - y0)
        my = y0 + sy / sw
        xr /= sw
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
        top = min(MAX_CURVE, LEFT_TO_BE_SEEN / max(x[0], gap))

        if n > 2 * _BINS:
            average(x, yc, ws, bin_x, bin_y, bin_w)
            kappa, low, high = _locate(bin_x, bin_y, bin_w, sw, xr, top, 1e-4)
            if kappa > 0.0:
                rough = kappa
                kappa = _descend(x, yc, ws, sw, xr, rough, low, high, 1e-6)
                near_low = low > 0.0 and kappa - low < 1e-3 * low
                near_high = high < top and high - kappa < 1e-3 * high
                if near_low or near_high or (low == 0.0 and kappa < 1e-6):
                    # The averages led to the wrong stretch: scan all points.
                    kappa, low, high = _locate(x, yc, ws, sw, xr, top, 1e-9)
            else:
                _, gradient, _ = _project(x, yc, ws, sw, xr, 0.0)
                if gradient < 0.0:
                    kappa, low, high = _locate(x, yc, ws, sw, xr, top, 1e-9)
        else:
            kappa, low, high = _locate(x, yc, ws, sw, xr, top, 1e-9)

        status = 0.0
        if kappa < 1e-7:
            kappa = 0.0
            status = _NO_CURVATURE
        elif kappa > 0.999 * top:
            status = _AT_BOUND

        phi = np.empty(n)
        der = np.empty(n)
        for i in range(n):
            g, dg = _basis(kappa * x[i])
            phi[i] = x[i] * g
            der[i] = x[i] * x[i] * dg
        rate, variance, covariance = finish(
            row, status, phi, der, yc, ws, sw, my, syy, span, PARAMETERS, known, correlated
        )
        row[CURVATURE] = kappa / span
        if rate != 0.0:
            row[CURVATURE_SE] = math.sqrt(variance) / (abs(rate) * span)
            row[COVARIANCE] = covariance / rate / (span * span)
        else:
            row[CURVATURE_SE] = math.inf


def fit(segments: Segments, *, correlated: bool = True) -> Fit:
    """Fit the saturating curve by variable projection.

    Parameters
    ----------
    segments : Segments
        Points of m closures, time zero at the closing of the lid.
    correlated : bool
        Whether standard errors allow for autocorrelated noise.

    Returns
    -------
    Fit
        Slope s₀ at time zero, start, and k ≥ 0 as curvature, shape (m,). Where the
        points bend the other way the line is returned with ``NO_CURVATURE``; where
        the curve ends before the first point, ``CURVE_AT_BOUND``.
    """
    return fit_batch("saturating", PARAMETERS, _fit, segments, correlated=correlated)
