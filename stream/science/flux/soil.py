"""Soil water."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stream.science.flux.constants import PARTICLE_DENSITY_G_CM3


def water_filled_pore_space(moisture_m3_m3: Any, bulk_density_g_cm3: Any) -> NDArray[np.float64]:
    """Water-filled pore space (WFPS).

    Parameters
    ----------
    moisture_m3_m3 : array_like
        Volumetric soil water content [m³ m⁻³].
    bulk_density_g_cm3 : array_like
        Dry bulk density [g cm⁻³].

    Returns
    -------
    ndarray
        Share of the pores that holds water [1]: θ / (1 − ρ_b / 2.65)
        (Eq. 5 of METHODS.md). Above 1 means that density or moisture is off.
    """
    porosity = 1.0 - np.asarray(bulk_density_g_cm3) / PARTICLE_DENSITY_G_CM3
    return np.asarray(np.asarray(moisture_m3_m3, dtype=np.float64) / porosity)
