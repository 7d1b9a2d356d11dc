"""The diffusive curve: gas that the headspace holds back is stored in the soil beneath.

C(t) = C₀ + s₀ φ(t; τ), φ = τ [(2/√π) z + e^(z²) erfc z − 1], z = √(t/τ) (Eq. 19 of
METHODS.md), the non-steady-state solution of [Livingston2006]_ for a chamber on a
deep soil, written with the initial slope s₀ as a coefficient. It never saturates, and
bends most sharply at the start. Given τ it is linear in C₀ and s₀, so only
q = √(T/τ) is searched for: a scan on averaged points, then Newton steps on all. In q
the curve has a finite derivative where it becomes a line, which it has not in τ.
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

_SCAN: Final = 16
_LEAST: Final = 0.02
MAX_CURVE: Final = 20.0
"""Largest √(T/τ) that is searched."""
_TERMS: Final = 30
_ROOT_PI: Final = math.sqrt(math.pi)


def _table() -> NDArray[np.float64]:
    """G(z) = φ/t as cubics that lie within 1e-13 of it."""
    z = np.arange(round(MAX_CURVE * STEPS) + 3) / STEPS
    small = z < 0.7
    near = z[small, None]
    n = np.arange(2, _TERMS)
    gamma = special.gamma(0.5 * n + 1.0)
    value, slope = np.empty(len(z)), np.empty(len(z))
    # G = Σ (−z)^(n−2)/Γ(n/2 + 1) from n = 2, where the closed form loses digits.
    value[small] = np.sum((-near) ** (n - 2) / gamma, axis=1)
    later = n[1:]
    slope[small] = -np.sum((later - 2) * (-near) ** (later - 3) / gamma[1:], axis=1)
    far = z[~small]
    e = special.erfcx(far)
    value[~small] = (2.0 * far / _ROOT_PI + e - 1.0) / far**2
    slope[~small] = 2.0 * (e - value[~small]) / far
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
        if distinct < PARAMETERS or not span > 0.0 or t[a] < 0.0:
            row[STATUS] = _SAME
            continue
        ws = w[a:b]
        x = t[a:b] / span
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

        z = np.sqrt(x)
        if n > 2 * BINS:
            average(x, yc, ws, bin_x, bin_y, bin_w)
            bin_z = np.sqrt(bin_x)
            q = search(
                x, z, yc, ws, sw, bin_x, bin_z, bin_y, bin_w, TABLE, _LEAST, MAX_CURVE, _SCAN
            )
        else:
            q = search(x, z, yc, ws, sw, x, z, yc, ws, TABLE, _LEAST, MAX_CURVE, _SCAN)

        status = 0.0
        if q < 1e-6:
            q = 0.0
            status = _NO_CURVATURE
        elif q > 0.999 * MAX_CURVE:
            status = _AT_BOUND

        rate, variance, covariance = finish(
            row, status, x, z, TABLE, q, yc, ws, sw, my, syy, span, PARAMETERS, known, correlated
        )
        row[CURVATURE] = q * q / span
        if rate != 0.0:
            # 1/τ = q²/T, so its error is 2q/T times that of q.
            row[CURVATURE_SE] = 2.0 * q * math.sqrt(variance) / (abs(rate) * span)
            row[COVARIANCE] = 2.0 * q * covariance / rate / (span * span)
        else:
            row[CURVATURE_SE] = math.inf


def fit(segments: Segments, *, correlated: bool = True) -> Fit:
    """Fit the diffusive curve by variable projection.

    Parameters
    ----------
    segments : Segments
        Points of m closures, time zero at the closing of the lid, none before it.
    correlated : bool
        Whether standard errors allow for autocorrelated noise.

    Returns
    -------
    Fit
        Slope s₀ at time zero, start, and 1/τ [s⁻¹] as curvature, shape (m,). Where the
        points bend the other way the line is returned with ``NO_CURVATURE``; where
        √(T/τ) reaches :data:`MAX_CURVE`, ``CURVE_AT_BOUND``.
    """
    return fit_batch("diffusive", PARAMETERS, _fit, segments, correlated=correlated)
