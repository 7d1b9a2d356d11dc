"""Water vapour: saturation, and the dilution of other gases by it."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import inline

Floats = NDArray[np.float64]


def saturation_pressure(temperature_c: Any) -> Floats:
    """Saturation vapour pressure over liquid water.

    Parameters
    ----------
    temperature_c : array_like
        Temperature [°C], −45 to 60.

    Returns
    -------
    ndarray
        Pressure [Pa].

    Notes
    -----
    e_w = 611.2 exp(17.62 t / (243.12 + t)) (Eq. 2 of METHODS.md) [WMO2008]_,
    within 0.4 % of IAPWS-95 between 0 and 50 °C.
    """
    t = np.asarray(temperature_c, dtype=np.float64)
    return np.asarray(611.2 * np.exp(17.62 * t / (243.12 + t)))


@inline
def dry_mole_fraction(wet: Any, water: Any) -> Any:
    """Dry mole fraction of a gas from its mole fraction in moist air.

    Parameters
    ----------
    wet : float or ndarray
        Mole fraction in moist air, any unit.
    water : float or ndarray
        Water vapour at the same moment [mol mol⁻¹].

    Returns
    -------
    float or ndarray
        x_wet / (1 − w), in the unit of ``wet`` (Eq. 4 of METHODS.md). Dalton's law.

    Notes
    -----
    Taken sample by sample, since water rises while a lid is closed: from 0.010 to
    0.025 a constant 330 nmol mol⁻¹ would seem to fall by 4.95.
    """
    return wet / (1.0 - water)
