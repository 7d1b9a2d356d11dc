"""What air can be: where the sun stands, bounds under a lid, and outdoor air at its closing.

When a lid closes, the air inside is the air outside. The bounds of temperature, pressure and
water vapour at a place and a time are wide, so that they hold in freak weather; what lies outside
is a wrong unit, a wrong channel or a broken sensor. Those without a source are common practice.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.science.flux.constants import ZERO_CELSIUS_K
from stream.science.flux.flux import saturation_pressure, standard_pressure
from stream.science.quality.likely import AIR_PRESSURE, AIR_TEMPERATURE

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
    hour_angle = np.pi / 12.0 * (solar_hour(times_us, longitude_deg) - 12.0)
    d, lat = declination(times_us), np.deg2rad(latitude_deg)
    height = np.sin(lat) * np.sin(d) + np.cos(lat) * np.cos(d) * np.cos(hour_angle)
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


OUTDOOR_NMOL: Final = {"CO2": 422_800.0, "CH4": 1929.0, "N2O": 337.7}
"""Global means of marine surface air in 2024 [nmol mol⁻¹; NOAA Global Monitoring Laboratory,
from memory, to three digits]."""
START_NMOL: Final = {
    "CO2": (300_000.0, 5_000_000.0),
    "CH4": (1_000.0, 50_000.0),
    "N2O": (250.0, 3_000.0),
}
"""Within what a closure may begin [nmol mol⁻¹ of dry air]: canopies draw CO2 down by day, and
all three gather over soil and livestock in still nights [common practice, no source]."""
LEAST_CO2_IN_DARK: Final = 350_000.0
"""Nothing takes up CO2 in the dark [nmol mol⁻¹]."""
_NEAR: Final = (0.75, 1.7)
"""Over outdoor air, to be taken for it."""


@dataclass(frozen=True, slots=True)
class Start:
    """How one gas of a closure began.

    Attributes
    ----------
    fitted, first : float
        By the model at the moment of closing, and the first level that was measured, of dry
        air [nmol mol⁻¹]; NaN where there is none.
    scale : float
        [nmol mol⁻¹] of one unit of its channel.
    """

    fitted: float
    first: float
    scale: float

    def outside(self, low: float, high: float) -> bool:
        """Whether it lies outside bounds, both as fitted and as first measured."""
        known = [x for x in (self.fitted, self.first) if x == x]
        return bool(known) and (all(x < low for x in known) or all(x > high for x in known))

    @property
    def best(self) -> float:
        """Fitted where there is a fit."""
        return self.fitted if self.fitted == self.fitted else self.first


def gross_starts(
    starts: Mapping[str, Start],
    allowed: Mapping[str, tuple[float, float]],
    *,
    dark: bool,
) -> set[str]:
    """Gases that began nowhere near outdoor air.

    Parameters
    ----------
    starts : mapping of str to Start
        Gas → how it began.
    allowed : mapping of str to (low, high)
        Gas → bounds [nmol mol⁻¹], where they are other than :data:`START_NMOL`.
    dark : bool
        Whether it was dark.

    Returns
    -------
    set of str
        Each by itself, and both of two that look exchanged where one of them is outside.
    """
    found = set()
    for gas, start in starts.items():
        bounds = allowed.get(gas, START_NMOL.get(gas))
        if bounds is None:
            continue
        low, high = bounds
        if gas == "CO2" and dark and gas not in allowed:
            low = max(low, LEAST_CO2_IN_DARK)
        if start.outside(low, high):
            found.add(gas)
    for a, b in exchanged(starts):
        if found & {a, b}:
            found |= {a, b}
    return found


def exchanged(starts: Mapping[str, Start]) -> list[tuple[str, str]]:
    """Pairs of gases whose numbers would each be right in the column of the other, and are far
    less so where they stand.
    """
    known = [g for g, s in starts.items() if g in OUTDOOR_NMOL and s.best > 0.0]
    found = []
    for a, b in combinations(known, 2):
        swapped = (
            (b, starts[a].best / starts[a].scale * starts[b].scale),
            (a, starts[b].best / starts[b].scale * starts[a].scale),
        )
        as_is = ((a, starts[a].best), (b, starts[b].best))
        if all(_is_outdoor(*t) for t in swapped) and _off(swapped) < 0.5 * _off(as_is):
            found.append((a, b))
    return found


def _off(values: Iterable[tuple[str, float]]) -> float:
    """How far values are from outdoor air, as logarithms of the ratios, summed."""
    return sum(abs(math.log(value / OUTDOOR_NMOL[gas])) for gas, value in values)


def _is_outdoor(gas: str, value: float) -> bool:
    usual = OUTDOOR_NMOL[gas]
    return _NEAR[0] * usual <= value <= _NEAR[1] * usual


def likely_cause(gas: str, starts: Mapping[str, Start], unit: str) -> str:
    """What most likely lies behind a start that is far from outdoor air, as a sentence.

    Parameters
    ----------
    gas : str
        The gas.
    starts : mapping of str to Start
        All gases of the closure, or their medians over several.
    unit : str
        Of the gas's channel.

    Returns
    -------
    str
        Such as ``CH4 begins at 331 nmol/mol, typical of N2O. The two columns may be exchanged``
    """
    value, scale = starts[gas].best, starts[gas].scale
    usual = OUTDOOR_NMOL.get(gas)
    if value != value:
        return f"{gas} has no reading within its range. Check unit, column and range"
    says = f"{gas} begins at {_short(value / scale)} {unit}"
    if usual is None:
        return f"{says}. Check unit, column and calibration"
    for pair in exchanged(starts):
        if gas in pair:
            other = pair[0] if pair[1] == gas else pair[1]
            return f"{says}, typical of {other}. The two columns may be exchanged"
    for factor, word in ((1e3, "1,000"), (1e6, "1,000,000"), (100.0, "100")):
        if _is_outdoor(gas, value / factor):
            return f"{says}, {word} times outdoor air. The unit of its channel may be wrong"
        if _is_outdoor(gas, value * factor):
            return f"{says}, 1/{word} of outdoor air. The unit of its channel may be wrong"
    if abs(value) < 0.05 * usual:
        return f"{says}, close to zero. It may be zero gas, or a sensor without a signal"
    for other, theirs in starts.items():
        like = value / scale * theirs.scale
        if other != gas and other in OUTDOOR_NMOL and _is_outdoor(other, like):
            return f"{says}, typical of {other}. It may be the wrong column"
    side = "above" if value > usual else "below"
    return (
        f"{says}, far {side} outdoor air ({_short(usual / scale)}). Calibration, unit or column may"
        " be wrong, or a cylinder may leak"
    )


def _short(value: float) -> str:
    """To four digits, with commas."""
    if value != value:
        return "nothing"
    rounded = float(f"{value:.4g}")
    return f"{rounded:,.0f}" if abs(rounded) >= 1000 else f"{rounded:g}"
