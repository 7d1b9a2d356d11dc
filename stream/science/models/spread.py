"""From residuals to the variance that scales a fit's standard errors."""

import math

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import inline
from stream.science.models.fit import LONG_RUN, RSS, VARIANCE
from stream.science.models.noise import long_run_variance


@inline
def spread(
    out: NDArray[np.float64],
    residual: NDArray[np.float64],
    rss: float,
    parameters: int,
    known: bool,
    correlated: bool,
) -> float:
    """Fill the columns RSS, VARIANCE and LONG_RUN of one row; return LONG_RUN.

    Where the variance of each point is known, residuals larger than those variances
    allow scale the standard errors up, never down (Birge's ratio, Eq. 13 of
    METHODS.md) [Birge1932]_; with no degree of freedom left the known variances stand.
    """
    n = residual.shape[0]
    free = n - parameters
    variance = rss / free if free > 0 else math.nan
    if known:
        scale = max(1.0, variance) if free > 0 else 1.0
    elif correlated and free > 0:
        scale = long_run_variance(residual, parameters)
    else:
        scale = variance
    out[RSS] = rss
    out[VARIANCE] = variance
    out[LONG_RUN] = scale
    return scale
