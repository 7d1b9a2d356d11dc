"""Weather of a season, minute by minute, for stations that are simulated by soil columns.

Fronts that pass (pressure, cloud, rain, colder air behind), afternoon storms, clear and calm
nights with frost, dew and fog, and a boundary layer as a box: what soil and plants give off
gathers below its lid at night. Written without a look at what the checks hold good; numbers are
common practice, from memory. Nothing here imports lidstream.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MINUTES = 1440
KELVIN = 273.15
GAS_CONSTANT = 8.314

SITES = (
    # zone, latitude, longitude, elevation [m], offset of the logger's clock
    ("Europe/Bucharest", 46.3, 24.6, 520.0, "+02:00"),
    ("America/Winnipeg", 50.2, -97.9, 245.0, "-06:00"),
    ("Asia/Tokyo", 43.2, 142.9, 130.0, "+09:00"),
    ("Pacific/Auckland", -43.8, 171.5, 310.0, "+12:00"),
    ("America/Bogota", 5.2, -73.9, 2570.0, "-05:00"),
    ("Europe/London", 52.3, -3.4, 190.0, "+00:00"),
)


@dataclass(frozen=True)
class Site:
    """Where a station stands, and when its season begins [s since 1970], a midnight there."""

    zone: str
    latitude: float
    longitude: float
    elevation_m: float
    clock: str
    first_s: int
    days: int


@dataclass(frozen=True)
class Weather:
    """One value a minute: [Pa], [degC], [Pa] of vapour, [W m⁻²], [m s⁻¹], [mm], and outdoor air."""

    time_s: NDArray[np.int64]
    pressure_pa: Floats
    air_c: Floats
    vapour_pa: Floats
    droplets_pa: Floats
    """Of fog: water that an inlet draws in besides vapour."""
    sun_w: Floats
    wind_m_s: Floats
    rain_mm: Floats
    fog: NDArray[np.bool_]
    outdoor: dict[str, Floats]
    """Gas → mole fraction in dry air at the height of the lids [nmol mol⁻¹]."""


def saturation_pa(t: Floats) -> Floats:
    """Vapour pressure at saturation over water, or ice below 0 degC (Magnus, from memory)."""
    water = 611.2 * np.exp(17.62 * t / (243.12 + t))
    ice = 611.2 * np.exp(22.46 * t / (272.62 + t))
    return np.where(t >= 0, water, ice)


def sun_height(site: Site, time_s: NDArray[np.int64]) -> Floats:
    """Sine of the sun's height over the horizon."""
    day = (time_s / 86400.0) % 365.2425
    tilt = -np.radians(23.44) * np.cos(2 * np.pi * (day + 10) / 365.2425)
    hour = 2 * np.pi * ((time_s % 86400) / 86400.0 + site.longitude / 360.0) - np.pi
    phi = np.radians(site.latitude)
    return np.sin(phi) * np.sin(tilt) + np.cos(phi) * np.cos(tilt) * np.cos(hour)


def wander(rng: np.random.Generator, n: int, memory: float, size: float) -> Floats:
    """A red series of n steps with a memory of so many steps and a standard deviation."""
    keep = np.exp(-1.0 / memory)
    kicks = rng.normal(0, size * np.sqrt(1 - keep**2), n)
    out = np.empty(n)
    last = rng.normal(0, size)
    for i, k in enumerate(kicks.tolist()):
        last = keep * last + k
        out[i] = last
    return out


def _after(x: Floats, sets_in: float, wears_off: float) -> Floats:
    """What begins at zero, sets in, and wears off."""
    x = np.clip(x, 0, None)
    return (1 - np.exp(-x / sets_in)) * np.exp(-x / wears_off)


def draw_site(seed: int, days: int) -> Site:
    """A place and a beginning of the season, by the seed."""
    rng = np.random.default_rng((seed, 1))
    zone, lat, lon, height, clock = SITES[int(rng.integers(len(SITES)))]
    # Spring or autumn, so that there is frost, sun and what lies between.
    month_day = int(rng.choice([75, 100, 255])) + (182 if lat < 0 else 0)
    sign = -1 if clock[0] == "-" else 1
    offset = sign * int(clock[1:3]) * 3600
    first = 1_767_225_600 + (month_day % 330) * 86400 - offset
    return Site(zone, lat, lon, height, clock, first, days)


def weather(site: Site, seed: int) -> Weather:
    """The weather of a season at a site."""
    rng = np.random.default_rng((seed, 2))
    n = site.days * MINUTES
    time = site.first_s + 60 * np.arange(n, dtype=np.int64)
    hours = np.arange(n) / 60.0
    height = np.clip(sun_height(site, time), 0, None)

    # Fronts: pressure falls for a day, rises for half of one, and colder air follows.
    fronts = np.cumsum(rng.gamma(3.0, 38.0, 60))
    fronts = fronts[fronts < n / 60.0 + 48]
    low = np.zeros(n)
    cloud = np.full(n, 0.15)
    cold = np.zeros(n)
    rain = np.zeros(n)
    tropical = abs(site.latitude) < 15
    for f in fronts:
        x = hours - f
        low -= rng.gamma(4.0, 60.0 if tropical else 380.0) * np.exp(
            -np.where(x < 0, (x / 22.0) ** 2, (x / 11.0) ** 2)
        )
        cloud = np.maximum(cloud, np.exp(-(((x + 5.0) / 13.0) ** 2)) * rng.uniform(0.6, 1.0))
        cold -= rng.uniform(1.5, 7.0) * _after(x, 0.7, 55.0)
        if rng.random() < 0.75:
            amount, wide = rng.gamma(1.3, 9.0), rng.uniform(1.5, 7.0)
            shower = np.exp(-(((x + 1) / wide) ** 2)) * rng.gamma(0.25, 4.0, n)
            rain += amount * shower / max(shower.sum(), 1e-9) if shower.sum() > 1e-6 else 0.0
    cloud = np.clip(cloud + wander(rng, n, 180.0, 0.12), 0, 1)

    sun = 1150.0 * height**1.15 * (1 - 0.78 * cloud**1.8)
    wind = np.clip(
        1.6 + 2.2 * np.sqrt(height) + 2.5 * cloud + wander(rng, n, 400.0, 1.0), 0.15, None
    )
    clear = (1 - cloud) * (height <= 0.0)

    # Air: the season, what the fronts brought, and the sun's heat with a lag of some hours.
    year = (time[0] / 86400.0 % 365.2425) + hours / 24.0
    warm = 0.0 if tropical else 10.5 * np.sin(2 * np.pi * (year - 112) / 365.2425)
    warm = warm * np.sign(site.latitude)
    mean = 10.0 + warm if not tropical else np.full(n, 11.5)
    heat, keep = np.empty(n), 0.0
    gain = (sun / 1000.0) * 3.7 - 1.05 * clear * np.clip(1.6 - 0.25 * wind, 0.25, None)
    for i, g in enumerate(gain.tolist()):
        keep += (g - keep * 0.32) / 60.0
        heat[i] = keep
    air = mean + cold + wander(rng, n, 4500.0, 1.8) + heat * 1.35 + wander(rng, n, 25.0, 0.15)

    # Afternoon storms: cold outflow, a jump of pressure, a burst of rain.
    gust = np.zeros(n)
    for day in range(site.days):
        if rng.random() < 0.09:
            at = day * MINUTES + int(rng.uniform(13.5, 18.5) * 60)
            x = np.arange(n) - at
            fall = _after(x, 6.0, 150.0)
            air = air - rng.uniform(2.5, 7.0) * fall
            gust += rng.uniform(60, 220) * fall
            burst = (x >= 0) & (x < rng.integers(15, 50))
            rain += burst * rng.gamma(2.0, 0.12, n)

    base = 101_325.0 * (1 - 2.25577e-5 * site.elevation_m) ** 5.25588
    tide = (95.0 if tropical else 35.0) * np.cos(4 * np.pi * (hours / 24.0 - 10 / 24))
    pressure = base + rng.normal(150, 200) + low - low.mean() + tide + gust
    pressure = pressure + wander(rng, n, 3000.0, 120.0 if not tropical else 30.0)

    # Vapour belongs to the air mass; where air cools below its dew point, the rest is dew or fog.
    dewpoint = mean + cold * 1.1 - rng.uniform(1.0, 4.0) + 5.0 * cloud + wander(rng, n, 2500.0, 1.6)
    mass = saturation_pa(np.minimum(dewpoint, air + 2.5))
    most = saturation_pa(air)
    fog = (mass > 1.02 * most) & (wind < 2.6) & (height < 0.12)
    vapour = np.minimum(mass, most * np.where(fog, 1.0, 0.985))
    droplets = np.where(fog, np.clip(0.4 * (mass - most), 0, 45.0), 0.0)

    return Weather(
        time,
        pressure,
        air,
        vapour,
        droplets,
        sun,
        wind,
        rain,
        fog,
        _outdoor(rng, site, time, air, height, wind, cloud, pressure),
    )


def _outdoor(
    rng: np.random.Generator,
    site: Site,
    time: NDArray[np.int64],
    air: Floats,
    height: Floats,
    wind: Floats,
    cloud: Floats,
    pressure: Floats,
) -> dict[str, Floats]:
    """A box whose lid lies low in calm, clear nights, and bursts that mix it in between."""
    n = len(time)
    night = height <= 0.0
    lid = np.where(
        night, np.clip(14.0 * wind**1.6 + 60.0 * cloud, 11.0, 400.0), 120 + 1100 * height
    )
    bursts = night & (rng.random(n) < 1.0 / 160.0)
    airing = np.where(night, np.clip(wind, 0.2, None) ** 2 / 9000.0, 1 / 12.0)
    airing = np.clip(airing + np.convolve(bursts, np.full(7, 0.09), mode="same"), 0, 0.5)
    moles = pressure / (GAS_CONSTANT * (air + KELVIN))
    warm = np.exp(np.log(2.0) / 10 * (air - 10))
    gives = {
        "CO2": np.where(night, 3600.0, -9000.0 * height) * warm,
        "CH4": np.full(n, rng.uniform(1.0, 9.0)) * warm,
        "N2O": np.full(n, rng.uniform(0.1, 0.7)) * warm,
    }
    free = {"CO2": 424_000.0, "CH4": 1_985.0, "N2O": 338.6}
    roams = {"CO2": 2_500.0, "CH4": 14.0, "N2O": 0.25}
    out = {}
    for gas, flux in gives.items():
        feed = (60.0 * flux / (lid * moles)).tolist()
        excess, series = 0.0, np.empty(n)
        for i, (a, g) in enumerate(zip(airing.tolist(), feed, strict=True)):
            excess += g - excess * a
            series[i] = excess
        near = 1.0 + 0.35 * night * np.clip(1 - wind / 2.0, 0, 1)  # lids are nearer the ground
        out[gas] = free[gas] + wander(rng, n, 4000.0, roams[gas]) + series * near
        # Eddies bring air from here and there.
        out[gas] += wander(rng, n, 2.0, 1.0) * (0.03 * np.abs(series) + 0.1 * roams[gas])
    return out
