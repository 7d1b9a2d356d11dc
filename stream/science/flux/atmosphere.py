"""The standard atmosphere, for stations whose pressure no sensor reads."""

from typing import Final

from stream.science.flux.constants import STANDARD_ATMOSPHERE_PA

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
