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
from scipy import special

from stream.science.kernel import kernel
from stream.science.models.batch import fit_batch
from stream.science.models.profile import BINS, STEPS, average, cubics, finish, search
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

_SCAN: Final = 12
_LEAST: Final = 0.05
_TAIL: Final = 38.0
"""From here on (1 − e^−u)/u is 1/u to rounding."""
_SMALL: Final = 0.1
MAX_CURVE: Final = 500.0
"""Largest k·T that is searched."""
LEFT_TO_BE_SEEN: Final = 3.0
"""The search ends where k times the time to the first point, or from the first to the
second, is this: e⁻³ of the curve is then left to be seen."""


def _table() -> NDArray[np.float64]:
    """G(u) = (1 − e^−u)/u = φ/t as cubics that lie within 1e-14 of it."""
    u = np.arange(round(_TAIL * STEPS) + 2) / STEPS
    value, slope = np.empty(len(u)), np.empty(len(u))
    small = u < _SMALL
    j = np.arange(1, 12)
    # G′ = Σ j (−1)^j u^(j−1)/(j + 1)!, where the closed form loses digits.
    terms = (-u[small, None]) ** (j - 1) / special.factorial(j)
    value[small] = terms.sum(axis=1)
    slope[small] = -(terms * j / (j + 1)).sum(axis=1)
    far = u[~small]
    value[~small] = -np.expm1(-far) / far
    slope[~small] = (np.exp(-far) - value[~small]) / far
    return cubics(value, slope)


TABLE: Final = _table()


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
        if distinct < PARAMETERS or not span > 0.0:
            row[STATUS] = _SAME
            continue
        ws = w[a:b]
        x = np.empty(n)
        yc = np.empty(n)
        sw = 0.0
        sy = 0.0
        y0 = y[a]
        for i in range(n):
            x[i] = t[a + i] / span
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
        top = min(MAX_CURVE, LEFT_TO_BE_SEEN / max(x[0], gap))

        if n > 2 * BINS:
            average(x, yc, ws, bin_x, bin_y, bin_w)
            kappa = search(x, x, yc, ws, sw, bin_x, bin_x, bin_y, bin_w, TABLE, _LEAST, top, _SCAN)
        else:
            kappa = search(x, x, yc, ws, sw, x, x, yc, ws, TABLE, _LEAST, top, _SCAN)

        status = 0.0
        if kappa < 1e-7:
            kappa = 0.0
            status = _NO_CURVATURE
        elif kappa > 0.999 * top:
            status = _AT_BOUND

        rate, variance, covariance = finish(
            row,
            status,
            x,
            x,
            TABLE,
            kappa,
            yc,
            ws,
            sw,
            my,
            syy,
            span,
            PARAMETERS,
            known,
            correlated,
        )  # fmt: skip
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
