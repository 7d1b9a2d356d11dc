"""Simpler forms of the detection limit that are in use, for comparison with ours.

Ours is :func:`stream.science.flux.detection_limit`: Student's t times the standard error
of a line's slope under the noise that the closure shows.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def limit_of_two_points(sigma: Any, closure_s: Any, moles_per_area: Any) -> Floats:
    """One standard deviation gained over the closure, as if it had two points.

    Parameters
    ----------
    sigma : array_like
        Standard deviation of one sample, or the accuracy of the analyzer [nmol mol⁻¹].
    closure_s : array_like
        Time that the lid is closed [s].
    moles_per_area : array_like
        From :func:`stream.science.flux.dry_air_per_area` [mol m⁻²].

    Returns
    -------
    ndarray
        (σ/t_c) N [nmol m⁻² s⁻¹] (Eq. 22 of METHODS.md) [Christiansen2015]_.
    """
    return np.asarray(np.asarray(sigma) / np.asarray(closure_s) * moles_per_area)


def limit_by_root_of_samples(
    sigma: Any, closure_s: Any, period_s: Any, moles_per_area: Any
) -> Floats:
    """The same over the root of the number of samples.

    Parameters
    ----------
    sigma, closure_s, moles_per_area : array_like
        As for :func:`limit_of_two_points`.
    period_s : array_like
        Time from sample to sample [s].

    Returns
    -------
    ndarray
        σ/(t_c √(t_c/p)) N [nmol m⁻² s⁻¹] (Eq. 23 of METHODS.md).

    Notes
    -----
    The standard error of a slope is √12 times this for many samples of white noise, and
    more for autocorrelated noise: this form promises too much.
    """
    samples = np.asarray(closure_s) / np.asarray(period_s)
    return np.asarray(limit_of_two_points(sigma, closure_s, moles_per_area) / np.sqrt(samples))
