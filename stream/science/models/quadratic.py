"""The parabola: a rate of change that falls steadily."""

import math

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import inline, kernel
from stream.science.models.centre import weighted_centre
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
    Floats,
    Model,
    Segments,
    fit_batch,
)
from stream.science.models.spread import spread

PARAMETERS = 3
_FEW = int(FitStatus.FEW_POINTS)
_SAME = int(FitStatus.SAME_TIME)


@inline
def _sums(x: Floats, y: Floats, w: Floats) -> tuple[float, float, float, float]:
    """Weighted sums of x², x³, xy and y²."""
    s2 = 0.0
    s3 = 0.0
    sxy = 0.0
    syy = 0.0
    for i in range(x.shape[0]):
        s2 += w[i] * x[i] * x[i]
        s3 += w[i] * x[i] * x[i] * x[i]
        sxy += w[i] * x[i] * y[i]
        syy += w[i] * y[i] * y[i]
    return s2, s3, sxy, syy


@inline
def _residuals(
    x: Floats, y: Floats, w: Floats, m2: float, alpha: float, b1: float, b2: float
) -> tuple[Floats, float]:
    """What the parabola leaves, and the weighted sum of its squares."""
    residual = np.empty(x.shape[0])
    rss = 0.0
    for i in range(x.shape[0]):
        r = y[i] - b1 * x[i] - b2 * (x[i] * x[i] - m2 - alpha * x[i])
        residual[i] = r
        rss += w[i] * r * r
    return residual, rss


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
        ws = w[a:b]
        sw, mt, my = weighted_centre(t[a:b], y[a:b], ws)
        half = max(t[b - 1] - mt, mt - t[a])
        if not half > 0.0:
            row[STATUS] = _SAME
            continue
        # Orthogonal polynomials in x = (t − mean)/half: 1, x, x² − m2 − alpha x.
        x = (t[a:b] - mt) / half
        yc = y[a:b] - my
        s2, s3, sxy, syy = _sums(x, yc, ws)
        m2 = s2 / sw
        alpha = s3 / s2
        b1 = sxy / s2
        sqq = 0.0
        sqy = 0.0
        for i in range(n):
            q = x[i] * x[i] - m2 - alpha * x[i]
            sqq += ws[i] * q * q
            sqy += ws[i] * q * (yc[i] - b1 * x[i])
        if not sqq > 1e-12 * s2:
            row[STATUS] = _SAME
            continue
        b2 = sqy / sqq
        residual, rss = _residuals(x, yc, ws, m2, alpha, b1, b2)
        scale = spread(row, residual, rss, PARAMETERS, known, correlated)
        x0 = -mt / half
        q0 = x0 * x0 - m2 - alpha * x0
        dq0 = 2.0 * x0 - alpha
        row[STATUS] = 0.0
        row[START] = my + b1 * x0 + b2 * q0
        row[START_SE] = math.sqrt(scale * (1.0 / sw + x0 * x0 / s2 + q0 * q0 / sqq))
        row[SLOPE] = (b1 + b2 * dq0) / half
        row[SLOPE_SE] = math.sqrt(scale * (1.0 / s2 + dq0 * dq0 / sqq)) / half
        row[CURVATURE] = b2 / (half * half)
        row[CURVATURE_SE] = math.sqrt(scale / sqq) / (half * half)
        row[COVARIANCE] = scale * dq0 / sqq / (half * half * half)
        row[TSS] = syy


def fit(segments: Segments, *, correlated: bool = True) -> Fit:
    """Fit C(t) = C₀ + s₀ t + c t² by least squares (Eq. 8 of METHODS.md).

    Parameters
    ----------
    segments : Segments
        Points of m closures, time zero at the closing of the lid.
    correlated : bool
        Whether standard errors allow for autocorrelated noise.

    Returns
    -------
    Fit
        Slope s₀ at time zero, start, and c as curvature, shape (m,).

    Notes
    -----
    After [Wagner1997]_; computed in orthogonal polynomials of centred, scaled time.
    """
    return fit_batch("quadratic", PARAMETERS, _fit, segments, correlated=correlated)


PARABOLA = 2.0
"""How much more the parabola's criterion must gain than the saturating curve's: both
bend, but a headspace fills towards a limit and does not turn."""


def _curve(start: float, slope: float, curvature: float, t: Floats) -> Floats:
    return np.asarray(start + slope * t + curvature * t * t)


def _rate(fit: Fit, _end_s: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(-2.0 * fit.curvature / fit.slope)


MODEL = Model(
    name="quadratic",
    label="a parabola",
    sentence="The rate of change falls evenly while the lid is closed.",
    fit=fit,
    curve=_curve,
    rate=_rate,
    turns=True,
    behind=("saturating", PARABOLA),
)
