"""What air can be: bounds of temperature, pressure and water vapour at a place and a time.

The bounds are wide, so that they hold in freak weather; what lies outside is a wrong unit, a
wrong channel or a broken sensor. Those without a source are common practice.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.science.flux.atmosphere import standard_pressure
from stream.science.flux.constants import ZERO_CELSIUS_K
from stream.science.flux.water import saturation_pressure
from stream.science.quality.likely import AIR_PRESSURE, AIR_TEMPERATURE
from stream.science.quality.sun import DARK_BELOW_DEG, elevation_deg, summer_share

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]
Bools = NDArray[np.bool_]

AIR_C: Final = (AIR_TEMPERATURE.low, AIR_TEMPERATURE.high)
"""Headspace temperatures that a field can have at all [°C]."""
AIR_PA: Final = (100.0 * AIR_PRESSURE.low, 100.0 * AIR_PRESSURE.high)
"""Air pressures that a field can have at all [Pa]: 7,000 m in a deep low, and the highest
that was measured [World Meteorological Organization, records of weather and climate; from
memory]."""
PRESSURE_SHARE: Final = (0.88, 1.09)
"""Air pressure over that of the standard atmosphere at the elevation. Weather is within some
60 hPa at sea level."""
OVER_SOIL_K: Final = (-55.0, 40.0)
"""Headspace temperature over that of the soil a few centimetres down: frost over snow, and a
closed lid in full sun."""
SOIL_K: Final = (238.15, 323.15)
"""Soil temperatures that are believed [K]."""
_NIGHT_C: Final = 45.0
_SUN_HEATS_K: Final = 25.0
"""How much warmer than the air a closed headspace in full sun may be."""
_AWAY_K: Final = (35.0, 30.0)
"""How far below and above the mean of the season a day may be."""
_MOIST_K: Final = 15.0
"""How much colder than the air that is sampled a headspace's thermometer may say it is: soil
warms what it moistens, and lids cool under a clear sky. Water in a wrong unit is off tenfold."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a station is; None where its file does not say."""

    latitude: float | None
    longitude: float | None
    elevation_m: float | None


def air_bounds_c(times_us: Micros, place: Place) -> tuple[Floats, Floats]:
    """Lowest and highest headspace temperature at a place, by season and sun.

    Parameters
    ----------
    times_us : ndarray of int64, shape (n,)
        [µs since 1970, UTC]
    place : Place

    Returns
    -------
    tuple of ndarray, shape (n,)
        [°C]; :data:`AIR_C` where the latitude is not known.

    Notes
    -----
    A mean of 28 °C up to 15° of latitude, 0.55 K less a degree beyond and 6.5 K less a
    kilometre of height, with the season a quarter of the latitude warmer in summer and half
    of it colder in winter; 35 K below and 30 K above that [common practice, no source]. The
    records that weather services keep lie within, as a test shows.
    """
    n = len(times_us)
    low, high = np.full(n, AIR_C[0]), np.full(n, AIR_C[1])
    if place.latitude is None:
        return low, high
    away = abs(place.latitude)
    mean = 28.0 - 0.55 * max(0.0, away - 15.0) - 6.5e-3 * (place.elevation_m or 0.0)
    season = summer_share(times_us, place.latitude)
    swing = np.where(season > 0, 0.25, 0.5) * away * season
    air = mean + 0.25 * away * season + _AWAY_K[1]
    sun = np.full(n, True)
    if place.longitude is not None:
        sun = elevation_deg(times_us, place.latitude, place.longitude) > DARK_BELOW_DEG
    low = np.maximum(low, mean + swing - _AWAY_K[0])
    high = np.minimum(high, np.where(sun, air + _SUN_HEATS_K, np.minimum(air, _NIGHT_C)))
    return low, high


def pressure_bounds_pa(elevation_m: float | None) -> tuple[float, float]:
    """Lowest and highest air pressure at an elevation; :data:`AIR_PA` where it is not known."""
    if elevation_m is None:
        return AIR_PA
    usual = standard_pressure(elevation_m)
    return max(AIR_PA[0], PRESSURE_SHARE[0] * usual), min(AIR_PA[1], PRESSURE_SHARE[1] * usual)


def most_water(temperature_k: Floats, pressure_pa: Floats) -> Floats:
    """The most water vapour that a headspace can hold [mol mol⁻¹], NaN where that is unknown.

    Saturation at 15 K more than its thermometer says.
    """
    warm = np.asarray(temperature_k) - ZERO_CELSIUS_K + _MOIST_K
    return np.asarray(saturation_pressure(warm) / np.asarray(pressure_pa))
