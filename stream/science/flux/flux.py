"""From a rate of change in a closed headspace to a flux through the soil."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stream.science.flux.constants import GAS_CONSTANT

Floats = NDArray[np.float64]


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
