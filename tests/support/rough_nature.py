"""Rough but honest weather, air and soil, made by another route than the demonstration's.

Nothing is taken from the project: the sun, saturation and the standard atmosphere are reckoned
here anew. Sizes are common practice, no source, unless a line names one.
"""

from dataclasses import dataclass

import numpy as np

STEP_S = 600
DAY_S = 86_400


@dataclass(frozen=True)
class Place:
    """Where, when, and how wild."""

    latitude: float
    longitude: float
    elevation_m: float
    first_s: int
    """The first moment [s since 1970, UTC]."""
    days: int
    seed: int
    mean_c: float
    swing_c: float
    """Of a clear day, from the mean."""
    fertilized_day: int
    livestock: bool


@dataclass(frozen=True)
class Nature:
    """On a grid of ten minutes; arrays of shape (n,)."""

    t: np.ndarray
    sun: np.ndarray
    air_c: np.ndarray
    soil_c: np.ndarray
    pressure_pa: np.ndarray
    water: np.ndarray
    moisture: np.ndarray
    ponded: np.ndarray
    co2: np.ndarray
    ch4: np.ndarray
    n2o: np.ndarray
    n2o_pulse: np.ndarray

    def at(self, name: str, t: np.ndarray) -> np.ndarray:
        """One of them between the grid."""
        return np.interp(t, self.t, getattr(self, name))


def wander(rng: np.random.Generator, n: int, memory: float, sd: float) -> np.ndarray:
    """An AR(1) walk, with the memory in steps."""
    keep = np.exp(-1.0 / memory)
    out = np.empty(n)
    x = sd * rng.standard_normal()
    shocks = sd * np.sqrt(1.0 - keep**2) * rng.standard_normal(n)
    for i in range(n):
        x = keep * x + shocks[i]
        out[i] = x
    return out


def saturation_pa(celsius: np.ndarray) -> np.ndarray:
    """Buck (1981), from memory; not the formula of the project."""
    return 611.21 * np.exp((18.678 - celsius / 234.5) * celsius / (257.14 + celsius))


def sun_height(t: np.ndarray, place: Place) -> np.ndarray:
    """Sine of the sun's elevation, by the plain cosine of the year; 0 by night."""
    day = t / DAY_S % 365.25
    d = np.deg2rad(-23.44 * np.cos(2 * np.pi * (day + 10) / 365.25))
    h = 2 * np.pi * (t / DAY_S % 1.0 + place.longitude / 360.0 - 0.5)
    lat = np.deg2rad(place.latitude)
    return np.maximum(0.0, np.sin(lat) * np.sin(d) + np.cos(lat) * np.cos(d) * np.cos(h))


def nature(place: Place) -> Nature:
    """Weather, air and soil of a place."""
    rng = np.random.default_rng(place.seed)
    n = place.days * DAY_S // STEP_S + 1
    t = place.first_s + STEP_S * np.arange(n)
    a_day = DAY_S / STEP_S
    sun = sun_height(t, place)
    cloud = 1.0 / (1.0 + np.exp(-1.6 * wander(rng, n, 1.5 * a_day, 1.0)))
    calm = 1.0 / (1.0 + np.exp(-3.0 * wander(rng, n, 0.7 * a_day, 1.0)))
    front = wander(rng, n, 3.0 * a_day, 4.0)
    # Air lags the sun by some two and a half hours, and cools under a clear sky.
    lagged = np.interp(t - 9000.0, t, sun)
    clear = 1.0 - 0.75 * cloud
    warm = (lagged - np.mean(lagged)) * 2.2 * place.swing_c * clear
    air = place.mean_c + front + warm + wander(rng, n, 4.0, 0.5)
    air -= 3.0 * (sun == 0) * clear * calm
    soil = np.empty(n)
    soil[0] = place.mean_c
    for i in range(1, n):
        soil[i] = soil[i - 1] + (air[i] - soil[i - 1]) / (0.6 * a_day)
        if soil[i] < 0.0:
            soil[i] = max(soil[i], -4.0)
    level = 101_325.0 * (1.0 - 2.25577e-5 * place.elevation_m) ** 5.2559
    pressure = level * (1.0 + np.clip(wander(rng, n, 2.5 * a_day, 0.011), -0.04, 0.03))
    humid = 0.72 + 0.25 * cloud - 0.45 * lagged * clear + 0.35 * (sun == 0) * calm * clear
    humid = np.clip(humid + wander(rng, n, 20.0, 0.04), 0.18, 1.0)
    water = humid * saturation_pa(air) / pressure
    moisture, ponded = _rain(rng, t, cloud, a_day)
    pulse = _pulse(t, place, moisture)
    # What gathers under a still night, and is blown away by sun and wind.
    still = (sun == 0) * calm
    gathered = np.zeros(n)
    for i in range(1, n):
        gathered[i] = gathered[i - 1] * (1.0 - (0.02 if still[i] > 0.4 else 0.4)) + still[i] ** 2
    gathered /= 45.0
    respiring = 2.0 ** ((np.clip(soil, 0.0, 40.0) - 15.0) / 10.0)
    canopy = np.clip(place.mean_c / 18.0, 0.0, 1.0)
    co2 = 424.0 + 900.0 * gathered * respiring - 65.0 * canopy * sun * clear
    ch4 = 1945.0 + 260.0 * gathered + np.abs(wander(rng, n, 30.0, 15.0))
    if place.livestock:
        for start in rng.uniform(t[0], t[-1], place.days // 2):
            passing = np.exp(-(((t - start) / 2400.0) ** 2))
            ch4 = ch4 + rng.uniform(500.0, 7500.0) * passing * (0.3 + 0.7 * calm)
    n2o = 338.6 + 6.0 * gathered * (1.0 + 12.0 * pulse) + np.abs(wander(rng, n, 40.0, 0.3))
    return Nature(t, sun, air, soil, pressure, water, moisture, ponded, co2, ch4, n2o, pulse)


def _rain(
    rng: np.random.Generator, t: np.ndarray, cloud: np.ndarray, a_day: float
) -> tuple[np.ndarray, np.ndarray]:
    """Soil moisture, and where water stands."""
    n = len(t)
    moisture, ponded = np.empty(n), np.zeros(n)
    level, standing = 0.25, 0.0
    for i in range(n):
        if cloud[i] > 0.75 and rng.random() < 0.02:
            mm = rng.exponential(5.0)
            level += mm / 200.0
            standing = max(standing, mm - 10.0)
        level -= (level - 0.18) / (9.0 * a_day)
        level = min(level, 0.47)
        standing = max(0.0, standing - 0.08)
        moisture[i], ponded[i] = level, float(standing > 0.0)
    return moisture, ponded


def _pulse(t: np.ndarray, place: Place, moisture: np.ndarray) -> np.ndarray:
    """Of nitrous oxide: 1 at its height, days after fertilizer."""
    since = (t - place.first_s) / DAY_S - place.fertilized_day
    rise = np.where(since > 0, since / 2.0 * np.exp(1.0 - since / 2.0), 0.0)
    return rise * (0.4 + 2.0 * (moisture - 0.18))


def fluxes(
    place: Place, found: Nature, t: np.ndarray, strength: np.ndarray
) -> dict[str, np.ndarray]:
    """True fluxes at some moments [nmol m⁻² s⁻¹]; ``strength`` is each chamber's own.

    Frozen soil hardly breathes; standing water lets little through and gives methane off.
    """
    soil = found.at("soil_c", t)
    ponded = found.at("ponded", t) > 0.5
    frozen = soil <= 0.2
    warm = 2.1 ** ((soil - 10.0) / 10.0)
    lid = np.where(ponded, 0.15, 1.0) * np.where(frozen, 0.03, 1.0)
    thaw = np.where((soil > 0.2) & (soil < 3.0) & (place.mean_c < 5.0), 1.5, 0.0)
    return {
        "CO2": 1500.0 * strength * warm * lid,
        "N2O": (0.25 * warm + 9.0 * found.at("n2o_pulse", t) + thaw) * strength * lid,
        "CH4": np.where(ponded, 6.0 * strength, -0.6 * strength * lid),
    }
