"""Gas in vials: how much of what is measured was taken in the field."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def dilution_factor(
    sample_ml: Floats, vial_ml: Floats, fill_kpa: Floats, pressure_kpa: Floats
) -> Floats:
    """How many times the air of a headspace was diluted by inert gas left in its vial.

    Parameters
    ----------
    sample_ml : ndarray, shape (n,)
        Air pushed into the vial, at ambient pressure [mL].
    vial_ml : ndarray, shape (n,)
        Volume of the vial [mL].
    fill_kpa : ndarray, shape (n,)
        Absolute pressure of the inert gas in the vial before; 0 for an evacuated one [kPa].
    pressure_kpa : ndarray, shape (n,)
        Ambient pressure [kPa].

    Returns
    -------
    ndarray, shape (n,)
        1 + p_fill V_vial/(P V_sample) (Eq. 24 of METHODS.md).

    Raises
    ------
    ValueError
        A volume or the ambient pressure is not positive, or a fill negative.
    """
    if (sample_ml <= 0).any() or (vial_ml <= 0).any() or (pressure_kpa <= 0).any():
        raise ValueError("volumes and ambient pressure must be positive")
    if (fill_kpa < 0).any():
        raise ValueError("the pressure in a vial cannot be negative")
    return np.asarray(1.0 + fill_kpa * vial_ml / (pressure_kpa * sample_ml))


def filled_kpa(
    sample_ml: Floats, vial_ml: Floats, fill_kpa: Floats, pressure_kpa: Floats
) -> Floats:
    """Absolute pressure in a vial once the sample is in it [kPa].

    Below ambient pressure a vial draws laboratory air through its septum.
    """
    return np.asarray(fill_kpa + pressure_kpa * sample_ml / vial_ml)
