"""The curve of a fitted model at any time."""

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]


def curve(model: str, start: float, slope: float, curvature: float, t: Floats) -> Floats:
    """Mole fraction of a fitted model.

    Parameters
    ----------
    model : str
        Name of the model.
    start, slope, curvature : float
        As in :class:`Fit`: at the moment the lid closed [nmol mol⁻¹, nmol mol⁻¹ s⁻¹], and
        what the model calls its curvature.
    t : ndarray, shape (n,)
        Time since then, not negative [s].

    Returns
    -------
    ndarray, shape (n,)
        [nmol mol⁻¹]
    """
    if model == "quadratic":
        return np.asarray(start + slope * t + curvature * t * t)
    if model == "saturating" and curvature > 0:
        return np.asarray(start - slope * np.expm1(-curvature * t) / curvature)
    if model == "diffusive" and curvature > 0:
        z = np.sqrt(curvature * t)
        bent = (2.0 / np.sqrt(np.pi) * z + special.erfcx(z) - 1.0) / curvature
        return np.asarray(start + slope * bent)
    return np.asarray(start + slope * t)
