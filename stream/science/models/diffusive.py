"""The diffusive curve: gas that the headspace holds back is stored in the soil beneath.

C(t) = C₀ + s₀ φ(t; τ), φ = τ [(2/√π) z + e^(z²) erfc z − 1], z = √(t/τ) (Eq. 19 of
METHODS.md), the non-steady-state solution of [Livingston2006]_ for a chamber on a
deep soil, written with the initial slope s₀ as a coefficient. It never saturates, and
bends most sharply at the start. Given τ it is linear in C₀ and s₀, so only
q = √(T/τ) is searched for: a scan on averaged points, then Gauss–Newton on all. In q
the curve has a finite derivative where it becomes a line, which it has not in τ.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

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
_GRID: Final = 16
_LEAST: Final = 0.02
MAX_CURVE: Final = 20.0
"""Largest √(T/τ) that is searched."""
_TERMS: Final = 30
_ROOT_PI: Final = math.sqrt(math.pi)


_STEPS: Final = 512
"""Places of the table for each unit of z."""


def _table() -> NDArray[np.float64]:
    """G(z) = φ/t and its derivative at equal steps of z, rows of (G, G′ · step)."""
    z = np.arange(round(MAX_CURVE * _STEPS) + 2) / _STEPS
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
    return np.column_stack([value, slope / _STEPS])


_TABLE: Final = _table()


@inline
def basis(x: float, q: float) -> tuple[float, float]:
    """φ(x)/T at x = t/T for q = √(T/τ), and its derivative by q; a line as q goes to zero.

    From a table by cubics that meet value and slope at each place: within 1e-13.
    """
    root = math.sqrt(x)
    place = q * root * _STEPS
    i = int(place)
    u = place - i
    v = 1.0 - u
    y0, d0 = _TABLE[i, 0], _TABLE[i, 1]
    y1, d1 = _TABLE[i + 1, 0], _TABLE[i + 1, 1]
    value = v * v * ((1.0 + 2.0 * u) * y0 + u * d0) + u * u * ((3.0 - 2.0 * u) * y1 - v * d1)
    slope = 6.0 * u * v * (y1 - y0) + v * (1.0 - 3.0 * u) * d0 + u * (3.0 * u - 2.0) * d1
    return x * value, x * root * slope * _STEPS


@inline
def _project(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    w: NDArray[np.float64],
    sw: float,
    q: float,
) -> tuple[float, float]:
    """What the curve explains at q, and the Gauss–Newton step in q; ``y`` is centred."""
    sp = 0.0
    sd = 0.0
    spp = 0.0
    spd = 0.0
    sdd = 0.0
    spy = 0.0
    sdy = 0.0
    pr, dr = basis(x[x.shape[0] // 2], q)
    for i in range(x.shape[0]):
        p, d = basis(x[i], q)
        p -= pr
        d -= dr
        sp += w[i] * p
        sd += w[i] * d
        spp += w[i] * p * p
        spd += w[i] * p * d
        sdd += w[i] * d * d
        spy += w[i] * p * y[i]
        sdy += w[i] * d * y[i]
    cpp = spp - sp * sp / sw
    cpd = spd - sp * sd / sw
    cdd = sdd - sd * sd / sw
    slope = spy / cpp
    left = cdd - cpd * cpd / cpp
    step = math.nan
    if slope != 0.0 and left > 0.0:
        step = (sdy - slope * cpd) / (slope * left)
    return slope * spy, step


@inline
def _search(
    x: NDArray[np.float64], y: NDArray[np.float64], w: NDArray[np.float64], sw: float, top: float
) -> float:
    """Best q between 0 and ``top``: a scan, then golden sections around its best."""
    ratio = (top / _LEAST) ** (1.0 / (_GRID - 2))
    best = 0
    explained, _ = _project(x, y, w, sw, 0.0)
    for j in range(1, _GRID):
        gain, _ = _project(x, y, w, sw, _LEAST * ratio ** (j - 1))
        if gain > explained:
            explained = gain
            best = j
    low = 0.0 if best <= 1 else _LEAST * ratio ** (best - 2)
    high = min(top, _LEAST * ratio**best)
    golden = 0.6180339887498949
    a = high - golden * (high - low)
    b = low + golden * (high - low)
    at_a, _ = _project(x, y, w, sw, a)
    at_b, _ = _project(x, y, w, sw, b)
    for _ in range(12):
        if at_a > at_b:
            high = b
            b = a
            at_b = at_a
            a = high - golden * (high - low)
            at_a, _ = _project(x, y, w, sw, a)
        else:
            low = a
            a = b
            at_a = at_b
            b = low + golden * (high - low)
            at_b, _ = _project(x, y, w, sw, b)
    return float(0.5 * (low + high))


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

        if n > 2 * _BINS:
            average(x, yc, ws, bin_x, bin_y, bin_w)
            q = _search(bin_x, bin_y, bin_w, sw, MAX_CURVE)
        else:
            q = _search(x, yc, ws, sw, MAX_CURVE)
        gain, step = _project(x, yc, ws, sw, q)
        for _ in range(40):
            following = min(MAX_CURVE, max(0.0, q + step))
            better, next_step = _project(x, yc, ws, sw, following)
            if not better > gain:
                if abs(step) <= 1e-9 * q or not math.isfinite(step):
                    break
                step *= 0.5
                continue
            q = following
            gain = better
            step = next_step

        status = 0.0
        straight, _ = _project(x, yc, ws, sw, 0.0)
        if q < 1e-6 or not gain > straight:
            q = 0.0
            status = _NO_CURVATURE
        elif q > 0.999 * MAX_CURVE:
            status = _AT_BOUND

        phi = np.empty(n)
        der = np.empty(n)
        for i in range(n):
            phi[i], der[i] = basis(x[i], q)
        rate, variance, covariance = finish(
            row, status, phi, der, yc, ws, sw, my, syy, span, PARAMETERS, known, correlated
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
