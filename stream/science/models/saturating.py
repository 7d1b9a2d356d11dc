"""The saturating curve: gas in the headspace slows the soil's own emission.

C(t) = C₀ + s₀ φ(t; k), φ = (1 − e^(−kt))/k (Eq. 9 of METHODS.md), the form of
[HutchinsonMosier1981]_ and [Pedersen2010]_ written with the initial slope s₀ as a
coefficient: it is a line as k goes to zero, and given k it is linear in C₀ and s₀.
So only k is searched for (variable projection, [GolubPereyra1973]_), without a
starting value: a scan on averaged points, then Newton steps on all points.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stream.science.models.fit import Fit, Floats, Model, Segments, line
from stream.science.models.nonlinear import fit_nonlinear
from stream.science.models.profile import STEPS, cubics

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


def fit(segments: Segments, *, correlated: bool = True) -> Fit:
    """Fit the saturating curve by variable projection.

    Parameters
    ----------
    segments : Segments
        Points of m closures, time zero at the closing of the lid, none before it.
    correlated : bool
        Whether standard errors allow for autocorrelated noise.

    Returns
    -------
    Fit
        Slope s₀ at time zero, start, and k ≥ 0 as curvature, shape (m,). Where the
        points bend the other way the line is returned with ``NO_CURVATURE``; where
        the curve ends before the first point, ``CURVE_AT_BOUND``.
    """
    return fit_nonlinear(
        "saturating", TABLE, segments, rooted=False, least=_LEAST, most=MAX_CURVE,
        left=LEFT_TO_BE_SEEN, scan=_SCAN, correlated=correlated,
    )  # fmt: skip


def _curve(start: float, slope: float, curvature: float, t: Floats) -> Floats:
    if not curvature > 0:
        return line(start, slope, curvature, t)
    return np.asarray(start - slope * np.expm1(-curvature * t) / curvature)


def _rate(fit: Fit, _end_s: Floats) -> Floats:
    return fit.curvature


MODEL = Model(
    name="saturating",
    label="an exponential approach to a limit",
    sentence="Gas under the lid slows the soil's own emission until both are level.",
    fit=fit,
    curve=_curve,
    rate=_rate,
)
