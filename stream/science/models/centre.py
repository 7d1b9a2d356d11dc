"""The middle of a closure's points, about which a line or a parabola is fitted."""

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import inline

Floats = NDArray[np.float64]


@inline
def weighted_centre(t: Floats, y: Floats, w: Floats) -> tuple[float, float, float]:
    """Sum of the weights, weighted means of times and values of one closure."""
    sw = 0.0
    st = 0.0
    sy = 0.0
    for i in range(t.shape[0]):
        sw += w[i]
        st += w[i] * (t[i] - t[0])
        sy += w[i] * (y[i] - y[0])
    return sw, t[0] + st / sw, y[0] + sy / sw
