"""Gas that a closed chamber drives back into the soil: how much each model misses of a flux.

The gas that gathers under a lid lowers the gradient in the soil, and part of what the soil
makes is stored there instead of entering the headspace. What a scheme would make of a
noise-free closure on a deep, uniform soil is known from the soil's porosity, water and
temperature; its shortfall is the correction. The idea is that of [Venterea2010]_ (its
abstract was read, not its equations); ours follows from (Eq. 19) of METHODS.md alone.
"""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stream.science.flux.constants import (
    GAS_CONSTANT,
    PARTICLE_DENSITY_G_CM3,
    STANDARD_ATMOSPHERE_PA,
    ZERO_CELSIUS_K,
)
from stream.science.models import MODELS
from stream.science.models.fit import Segments

Floats = NDArray[np.float64]

DIFFUSIVITY_M2_S: Final = {"CO2": 0.1381e-4, "CH4": 0.1952e-4, "N2O": 0.1436e-4}
"""In air at 0 °C and one atmosphere [m² s⁻¹] [Massman1998]_, from memory."""
_EXPONENT: Final = 1.81

SOLUBILITY: Final = {
    "N2O": (2.4e-4, 2700.0),
    "CO2": (3.3e-4, 2400.0),
    "CH4": (1.4e-5, 1900.0),
}
"""Henry's constant at 25 °C [mol m⁻³ Pa⁻¹] and its temperature dependence d ln H/d(1/T) [K]
[Sander2015]_, from memory."""
_ROOM_K: Final = 298.15

CORRECTION_SE: Final = 0.25
"""Relative standard error of a correction: it goes with the root of the time constant,
which soil data tell to half its size at best."""


def air_filled(moisture_m3_m3: Any, bulk_density_g_cm3: Any) -> tuple[Floats, Floats]:
    """Air-filled and total porosity [m³ m⁻³].

    Parameters
    ----------
    moisture_m3_m3, bulk_density_g_cm3 : array_like
        Volumetric water, and dry bulk density [g cm⁻³].

    Returns
    -------
    tuple of ndarray
        φ − θ, never below 0.01, and φ = 1 − ρ_b/2.65.
    """
    porosity = 1.0 - np.asarray(bulk_density_g_cm3, dtype=np.float64) / PARTICLE_DENSITY_G_CM3
    free = np.maximum(porosity - np.asarray(moisture_m3_m3, dtype=np.float64), 0.01)
    return np.asarray(free), np.asarray(porosity)


def soil_diffusivity(
    gas: str, free: Any, porosity: Any, temperature_k: Any, pressure_pa: Any
) -> Floats:
    """Diffusivity of a gas in soil [m² s⁻¹].

    Parameters
    ----------
    gas : str
        ``N2O``, ``CH4`` or ``CO2``.
    free, porosity : array_like
        Air-filled and total porosity [m³ m⁻³].
    temperature_k, pressure_pa : array_like
        Of the soil, and of the air.

    Returns
    -------
    ndarray
        D₀ (T/T₀)^1.81 (P₀/P) ε^(10/3)/φ² (Eq. 26) [Massman1998]_, [MillingtonQuirk1961]_.
    """
    warm = (np.asarray(temperature_k) / ZERO_CELSIUS_K) ** _EXPONENT
    in_air = DIFFUSIVITY_M2_S[gas] * warm * STANDARD_ATMOSPHERE_PA / np.asarray(pressure_pa)
    return np.asarray(in_air * np.asarray(free) ** (10.0 / 3.0) / np.asarray(porosity) ** 2)


def storage(gas: str, free: Any, moisture_m3_m3: Any, temperature_k: Any) -> Floats:
    """What a volume of soil holds of a gas, over what the same volume of air holds.

    Parameters
    ----------
    gas : str
        As in :func:`soil_diffusivity`.
    free, moisture_m3_m3 : array_like
        Air-filled porosity and water [m³ m⁻³].
    temperature_k : array_like
        Of the soil.

    Returns
    -------
    ndarray
        ε + θ H R T [1] (Eq. 27): in the pores and dissolved; nothing is taken as sorbed.
    """
    at_room, slope = SOLUBILITY[gas]
    t = np.asarray(temperature_k, dtype=np.float64)
    henry = at_room * np.exp(slope * (1.0 / t - 1.0 / _ROOM_K))
    return np.asarray(np.asarray(free) + np.asarray(moisture_m3_m3) * henry * GAS_CONSTANT * t)


def time_constant_s(height_m: Any, stored: Any, diffusivity: Any) -> Floats:
    """τ = h'²/(S D) of the diffusive curve [s] (Eq. 25) [Livingston2006]_."""
    return np.asarray(np.asarray(height_m) ** 2 / (np.asarray(stored) * np.asarray(diffusivity)))


def bias_factors(
    segments: Segments, tau_s: Floats, chosen: NDArray[np.int64], models: tuple[str, ...]
) -> Floats:
    """By how much the chosen models fall short on a soil of this time constant.

    Parameters
    ----------
    segments : Segments
        Points of m closures; only their times and weights are used.
    tau_s : ndarray, shape (m,)
        Time constants [s]; NaN where the soil is not known.
    chosen : ndarray of int, shape (m,)
        Column of the chosen model, −1 for none.
    models : tuple of str
        The columns.

    Returns
    -------
    ndarray, shape (m,)
        True initial slope over that which the same model finds without noise (Eq. 28);
        NaN where it cannot be had, 1 for a model that has storage in it.
    """
    owner = np.repeat(np.arange(len(tau_s)), segments.points)
    tau = tau_s[owner]
    with np.errstate(invalid="ignore", divide="ignore"):
        z = np.sqrt(segments.t / tau)
        shape = tau * (2.0 * z / np.sqrt(np.pi) + special.erfcx(z) - 1.0)
    clean = Segments(
        segments.t,
        np.nan_to_num(shape, nan=0.0),
        segments.w,
        segments.offsets,
        segments.known_variance,
    )
    slopes: Mapping[str, Floats] = {
        name: MODELS[name].fit(clean, correlated=False).slope
        for at, name in enumerate(models)
        if not MODELS[name].holds_storage and (chosen == at).any()
    }
    factor = np.full(len(tau_s), np.nan)
    for at, name in enumerate(models):
        mine = chosen == at
        if MODELS[name].holds_storage:
            factor[mine] = 1.0
        elif mine.any():
            with np.errstate(invalid="ignore", divide="ignore"):
                factor[mine] = 1.0 / slopes[name][mine]
    known = np.isfinite(tau_s) & np.isfinite(factor) & (factor > 0)
    return np.where(known, factor, np.nan)
