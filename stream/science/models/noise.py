"""Autocorrelated noise: the long-run variance of residuals.

At 1 Hz neighbouring samples share part of their noise (cell turnover, averaging
inside the analyzer, drift), so that n samples inform like fewer. An
autoregression of the residuals gives the variance that a slow regressor feels.
"""

import math

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import inline

MAX_ORDER = 8
"""Order of the autoregression [samples], where there are at least 64 of them."""
WIDEN = 1.21
"""(1.96² + 1)/4: Student's 95 % quantile is about 1.96 (1 + 1.21/ν)."""
ROUNDS = 3
"""Rounds of the correction for the fitted coefficients; the third changes 1 % or less."""


@inline
def long_run_variance(residual: NDArray[np.float64], parameters: int) -> float:
    """Long-run variance of the residuals of a fit.

    Parameters
    ----------
    residual : ndarray, shape (n,)
        Residuals in time order.
    parameters : int
        Number of parameters that were fitted; each takes one degree of freedom's
        worth of the *long-run* variance out of the residuals, which is put back.

    Returns
    -------
    float
        Variance per independent sample, in squared units of the residuals: for
        white noise RSS/(n − p); for an AR(1) with coefficient ρ it is
        (1 + ρ)/(1 − ρ) times that. Never below RSS/(n − p).

    Notes
    -----
    Yule–Walker by the Levinson–Durbin recursion at order 8, or n/8 where that is
    less; σ_e²/(1 − Σφ)² (Eq. 14 of METHODS.md) [Priestley1981]_. No order is
    selected: a selected one was found to understate slow noise. The autocovariances
    of residuals are low by about p·LRV/n at every lag, which is put back. The estimate
    itself scatters like one of ν = n/(2·order) degrees of freedom ([Berk1974]_, from
    memory); it is raised so that ±1.96 standard errors still cover 95 %.
    """
    n = residual.shape[0]
    rss: float = 0.0
    for i in range(n):
        rss += float(residual[i] * residual[i])
    if n <= parameters:
        return math.nan
    white = rss / (n - parameters)
    order = min(MAX_ORDER, n // 8)
    if order < 1 or rss == 0.0:
        return float(white)
    raw = np.zeros(MAX_ORDER + 1)
    for i in range(MAX_ORDER, n):
        for h in range(MAX_ORDER + 1):
            raw[h] += residual[i] * residual[i - h]
    for i in range(min(MAX_ORDER, n)):
        for h in range(i + 1):
            raw[h] += residual[i] * residual[i - h]
    phi = np.zeros(MAX_ORDER + 1)
    last = np.zeros(MAX_ORDER + 1)
    result = white
    for _ in range(ROUNDS):
        lift = parameters * result / n
        error = raw[0] / n + lift
        ceiling = error * n / 8.0
        gain = 1.0
        for m in range(1, order + 1):
            top = raw[m] / n + lift
            for j in range(1, m):
                top -= phi[j] * (raw[m - j] / n + lift)
            reflection = top / error
            if reflection >= 1.0 or reflection <= -1.0:
                break
            for j in range(1, m):
                last[j] = phi[j]
            for j in range(1, m):
                phi[j] = last[j] - reflection * last[m - j]
            phi[m] = reflection
            error *= 1.0 - reflection * reflection
        for j in range(1, order + 1):
            gain -= phi[j]
        # A near-unit root says drift, not noise: n/8 independent samples at least.
        result = max(min(error / (gain * gain), ceiling), white)
        for j in range(order + 1):
            phi[j] = 0.0
    if result == white:
        return float(white)
    widen = 1.0 + WIDEN * 2.0 * order / n
    return float(result * widen * widen)
