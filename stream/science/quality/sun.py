"""Where the sun stands: darkness, and the hour of the sun."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]

DARK_BELOW_DEG: Final = -6.0
"""Elevation of the sun under which it is dark: the end of civil twilight."""
_DAY_US: Final = 86_400_000_000
_YEAR_DAYS: Final = 365.2425


def _year_angle(times_us: Micros) -> Floats:
    """Angle of the year, 0 on 1 January [rad]; which year it is makes no odds."""
    days = np.asarray(times_us, dtype=np.float64) / _DAY_US
    return 2.0 * np.pi * np.asarray(days / _YEAR_DAYS % 1.0)


def declination(times_us: Micros) -> Floats:
    """Declination of the sun [rad] after Spencer (1971), to about 0.05° [from memory]."""
    g = _year_angle(times_us)
    return np.asarray(
        0.006918
        - 0.399912 * np.cos(g)
        + 0.070257 * np.sin(g)
        - 0.006758 * np.cos(2 * g)
        + 0.000907 * np.sin(2 * g)
        - 0.002697 * np.cos(3 * g)
        + 0.00148 * np.sin(3 * g)
    )


def solar_hour(times_us: Micros, longitude_deg: float) -> Floats:
    """Hour of the sun, 12 when it stands highest [h]; equation of time after Spencer (1971)."""
    g = _year_angle(times_us)
    minutes = 229.18 * (
        0.000075
        + 0.001868 * np.cos(g)
        - 0.032077 * np.sin(g)
        - 0.014615 * np.cos(2 * g)
        - 0.040849 * np.sin(2 * g)
    )
    utc = np.asarray(times_us, dtype=np.float64) % _DAY_US / 3.6e9
    return np.asarray((utc + longitude_deg / 15.0 + minutes / 60.0) % 24.0)


def elevation_deg(times_us: Micros, latitude_deg: float, longitude_deg: float) -> Floats:
    """Elevation of the sun above the horizon [°].

    Parameters
    ----------
    times_us : ndarray of int64, shape (n,)
        [µs since 1970, UTC]
    latitude_deg, longitude_deg : float
        North and east positive [°].

    Returns
    -------
    ndarray, shape (n,)
        sin e = sin φ sin δ + cos φ cos δ cos h; without refraction.
    """
    turn = np.pi / 12.0 * (solar_hour(times_us, longitude_deg) - 12.0)
    d, lat = declination(times_us), np.deg2rad(latitude_deg)
    height = np.sin(lat) * np.sin(d) + np.cos(lat) * np.cos(d) * np.cos(turn)
    return np.asarray(np.rad2deg(np.arcsin(np.clip(height, -1.0, 1.0))))


def is_dark(times_us: Micros, latitude_deg: float, longitude_deg: float) -> NDArray[np.bool_]:
    """Whether it is dark: the sun lies below the end of civil twilight."""
    return np.asarray(elevation_deg(times_us, latitude_deg, longitude_deg) < DARK_BELOW_DEG)


def summer_share(times_us: Micros, latitude_deg: float) -> Floats:
    """How much of summer it is: 1 in the warmest weeks, −1 in the coldest [1].

    Air lags the sun by some four weeks [common practice, no source].
    """
    warmest = 200.0 if latitude_deg >= 0 else 200.0 - _YEAR_DAYS / 2.0
    days = _year_angle(times_us) / (2.0 * np.pi) * _YEAR_DAYS
    return np.cos(2.0 * np.pi * (days - warmest) / _YEAR_DAYS)
