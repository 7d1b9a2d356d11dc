"""From a rate of change in a closed headspace to a flux through the soil.

The air under the lid: the standard atmosphere where no sensor reads its pressure, its water
vapour and how that dilutes other gases; then moles of dry air, fluxes and detection limits.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stream.science.flux.constants import (
    GAS_CONSTANT,
    PARTICLE_DENSITY_G_CM3,
    STANDARD_ATMOSPHERE_PA,
)
from stream.science.kernel import inline

_EARTH_RADIUS_M: Final = 6356766.0
_SEA_LEVEL_K: Final = 288.15
_LAPSE_K_M: Final = 0.0065
_EXPONENT: Final = 5.255876


def geopotential_height(elevation_m: float) -> float:
    """Geopotential height of a geometric elevation.

    Parameters
    ----------
    elevation_m : float
        Height above mean sea level [m].

    Returns
    -------
    float
        Geopotential height [m], rZ/(r + Z) with r = 6 356 766 m [USSA1976]_.
    """
    return _EARTH_RADIUS_M * elevation_m / (_EARTH_RADIUS_M + elevation_m)


def standard_pressure(elevation_m: float) -> float:
    """Air pressure of the standard atmosphere at an elevation.

    Parameters
    ----------
    elevation_m : float
        Height above mean sea level [m], at most 11 km.

    Returns
    -------
    float
        Pressure [Pa].

    Raises
    ------
    ValueError
        The elevation lies outside the lowest layer, −500 m to 11 000 m.

    Notes
    -----
    p = 101 325 (1 − 0.0065 H / 288.15)^5.255876 with H the geopotential height
    (Eq. 1 of METHODS.md) [USSA1976]_.
    """
    if not -500.0 <= elevation_m <= 11000.0:
        raise ValueError(f"elevation {elevation_m} m is outside -500 m to 11000 m")
    height = geopotential_height(elevation_m)
    ratio: float = 1.0 - _LAPSE_K_M * height / _SEA_LEVEL_K
    return float(STANDARD_ATMOSPHERE_PA * ratio**_EXPONENT)


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


@dataclass(frozen=True, slots=True)
class Headspace:
    """The air under m lids; arrays of shape (m,).

    Attributes
    ----------
    height_m, area_m2, extra_volume_m3 : ndarray
        Mean height above the soil, soil area, volume of tubing and cell.
    pressure_pa, temperature_k : ndarray
        Air pressure [Pa] and headspace temperature [K] over the window.
    water : ndarray
        Water vapour [mol mol⁻¹]; 0 where it is not known.
    height_se, area_se, extra_volume_se, pressure_se, temperature_se : ndarray
        Standard deviations of these.
    """

    height_m: Floats
    area_m2: Floats
    extra_volume_m3: Floats
    pressure_pa: Floats
    temperature_k: Floats
    water: Floats
    height_se: Floats
    area_se: Floats
    extra_volume_se: Floats
    pressure_se: Floats
    temperature_se: Floats

    @property
    def volume_m3(self) -> Floats:
        """Volume of the closed air [m³]."""
        return np.asarray(self.area_m2 * self.height_m + self.extra_volume_m3)


def dry_air_per_area(
    volume_m3: Any, area_m2: Any, pressure_pa: Any, temperature_k: Any, water: Any = 0.0
) -> Floats:
    """Moles of dry air in a headspace for each square metre of soil.

    Parameters
    ----------
    volume_m3, area_m2, pressure_pa, temperature_k : array_like
        Volume [m³], soil area [m²], pressure [Pa], temperature [K].
    water : array_like
        Water vapour in the headspace [mol mol⁻¹].

    Returns
    -------
    ndarray
        V P (1 − w) / (R T A) [mol m⁻²] (Eq. 10 of METHODS.md). Ideal gas.

    Raises
    ------
    ValueError
        A volume, area, pressure or temperature is not positive, or water is not
        between 0 and 1. NaN passes as unknown.
    """
    for name, value in (
        ("volume", volume_m3),
        ("area", area_m2),
        ("pressure", pressure_pa),
        ("temperature", temperature_k),
    ):
        if (np.asarray(value) <= 0).any():
            raise ValueError(f"{name} must be positive")
    w = np.asarray(water, dtype=np.float64)
    if ((w < 0) | (w >= 1)).any():
        raise ValueError("water vapour must lie between 0 and 1")
    moles = np.asarray(volume_m3, dtype=np.float64) * pressure_pa * (1.0 - w)
    return np.asarray(moles / (GAS_CONSTANT * np.asarray(temperature_k) * area_m2))


def slope_to_flux(
    slope: Any,
    volume_m3: Any,
    area_m2: Any,
    pressure_pa: Any,
    temperature_k: Any,
    water: Any = 0.0,
) -> Floats:
    """Turn a rate of change in a closed headspace into a flux through the soil.

    Parameters
    ----------
    slope : array_like
        Rate of change of the dry mole fraction at lid closure [nmol mol⁻¹ s⁻¹].
    volume_m3, area_m2, pressure_pa, temperature_k, water : array_like
        As in :func:`dry_air_per_area`.

    Returns
    -------
    ndarray
        Flux, positive from soil to air [nmol m⁻² s⁻¹] (Eq. 11 of METHODS.md).

    Raises
    ------
    ValueError
        A volume, area, pressure or temperature is not positive.

    Notes
    -----
    Departs from [ParkinVenterea2010]_ in using measured pressure, and moles of *dry*
    air, since the mole fraction is a dry one.
    """
    return np.asarray(
        np.asarray(slope) * dry_air_per_area(volume_m3, area_m2, pressure_pa, temperature_k, water)
    )


def relative_geometry_se(air: Headspace) -> Floats:
    """Relative standard error of the factor between slope and flux.

    Returns
    -------
    ndarray, shape (m,)
        From height, area, extra volume, pressure and temperature, taken as
        independent (Eq. 12 of METHODS.md). A flux is for an area, and the volume over
        the soil grows with it: area matters only through the extra volume.
    """
    effective = air.height_m + air.extra_volume_m3 / air.area_m2
    by_height = air.height_se / effective
    by_area = air.extra_volume_m3 / air.area_m2**2 * air.area_se / effective
    by_extra = air.extra_volume_se / air.area_m2 / effective
    by_pressure = air.pressure_se / air.pressure_pa
    by_temperature = air.temperature_se / air.temperature_k
    return np.asarray(
        np.sqrt(by_height**2 + by_area**2 + by_extra**2 + by_pressure**2 + by_temperature**2)
    )


def flux_se(flux: Any, fit_se: Any, relative_se: Any) -> Floats:
    """Standard error of a flux from that of its fit and that of the geometry.

    Parameters
    ----------
    flux, fit_se : array_like
        Flux and the fit's part of its standard error [nmol m⁻² s⁻¹].
    relative_se : array_like
        From :func:`relative_geometry_se`.

    Returns
    -------
    ndarray
        √(fit² + (F·relative)²) [nmol m⁻² s⁻¹].
    """
    return np.asarray(np.hypot(fit_se, np.asarray(flux) * relative_se))


def detection_limit(slope_se: Any, dof: Any, moles_per_area: Any) -> Floats:
    """Smallest flux that can be told from zero.

    Parameters
    ----------
    slope_se : array_like
        Standard error of the slope of a line under the noise [nmol mol⁻¹ s⁻¹].
    dof : array_like
        Degrees of freedom, infinite where the noise is known.
    moles_per_area : array_like
        From :func:`dry_air_per_area` [mol m⁻²].

    Returns
    -------
    ndarray
        t(0.975, ν) SE V P (1 − w)/(R T A) [nmol m⁻² s⁻¹] (Eq. 18 of METHODS.md).
    """
    return np.asarray(
        special.stdtrit(np.asarray(dof, dtype=np.float64), 0.975) * slope_se * moles_per_area
    )


def line_slope_se(sigma: Any, span_s: Any, points: Any) -> Floats:
    """Standard error of a line's slope under white noise, points evenly spaced.

    Parameters
    ----------
    sigma : array_like
        Standard deviation of one point.
    span_s : array_like
        Time from the first to the last point [s].
    points : array_like
        Number of points n.

    Returns
    -------
    ndarray
        σ/T √(12 (n − 1)/(n (n + 1))), exact for ordinary least squares.
    """
    n = np.asarray(points, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(sigma / np.asarray(span_s) * np.sqrt(12 * (n - 1) / (n * (n + 1))))
