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

from stream.science.models.fit import Fit, Floats, Model, Segments, line
from stream.science.models.nonlinear import fit_nonlinear
from stream.science.models.profile import STEPS, cubics

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
    return fit_nonlinear(
        "diffusive", TABLE, segments, rooted=True, least=_LEAST, most=MAX_CURVE, scan=_SCAN,
        correlated=correlated,
    )  # fmt: skip


def _curve(start: float, slope: float, curvature: float, t: Floats) -> Floats:
    if not curvature > 0:
        return line(start, slope, curvature, t)
    z = np.sqrt(curvature * t)
    bent = (2.0 / np.sqrt(np.pi) * z + special.erfcx(z) - 1.0) / curvature
    return np.asarray(start + slope * bent)


def _rate(fit: Fit, end_s: Floats) -> Floats:
    """The k of the saturating curve that has fallen off as far by the end: the same mean
    slope over the initial one.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.sqrt(fit.curvature * end_s)
        mean = (2.0 * z / np.sqrt(np.pi) + special.erfcx(z) - 1.0) / z**2
        # (1 − e^−u)/u = r is solved by u = a + W(−a e^−a), a = 1/r.
        a = 1.0 / mean
        rate = (a + special.lambertw(-a * np.exp(-a)).real) / end_s
    return np.asarray(np.where(z > 0, rate, 0.0))


MODEL = Model(
    name="diffusive",
    label="the non-steady-state diffusive curve",
    sentence="Gas diffuses from a deep, uniform soil, which stores part of it meanwhile.",
    fit=fit,
    curve=_curve,
    rate=_rate,
    holds_storage=True,
)
