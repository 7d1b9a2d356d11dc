"""The level of a gas at the beginning and at the end of a closure."""

import math

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import inline

Floats = NDArray[np.float64]


@inline
def levels(y: Floats, few: int) -> tuple[float, float, float]:
    """Medians of the first and of the last few samples, and the error of their difference.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples in order of time, at least twice as many as ``few``.
    few : int
        How many make a level.

    Returns
    -------
    tuple of float
        First, last, and the standard error that means of as many would have.
    """
    n = y.shape[0]
    apart = 0.0
    middle = np.empty(2)
    for k in range(2):
        end = y[:few] if k == 0 else y[n - few :]
        mean = 0.0
        for i in range(few):
            mean += end[i]
        mean /= few
        for i in range(few):
            apart += (end[i] - mean) ** 2
        middle[k] = np.median(end)
    return float(middle[0]), float(middle[1]), math.sqrt(apart / (few - 1) / few)
