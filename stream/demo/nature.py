"""Weather, soil and headspace of the simulated stations; none of it uses the fits it tests."""

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from stream.demo.scenario import AMBIENT, CONDUCTANCE, DAY_S, Place, Scenario

Floats = NDArray[np.float64]

_R: Final = 8.31446261815324


def _phase(t: Floats, scenario: Scenario, warmest_h: float) -> Floats:
    """Cosine of the local day, 1 at the warmest hour; ``t`` in seconds since 1970."""
    hours = ((t + scenario.utc_offset_s) % DAY_S) / 3600.0
    return np.asarray(np.cos(2 * np.pi * (hours - warmest_h) / 24.0))


def air_temperature_c(t: Floats, scenario: Scenario) -> Floats:
    """Headspace temperature [°C]."""
    site = scenario.site
    return np.asarray(site.air_c + site.air_swing_c * _phase(t, scenario, 14.5))


def soil_temperature_c(t: Floats, scenario: Scenario) -> Floats:
    """Soil temperature at 5 cm [°C]."""
    site = scenario.site
    return np.asarray(site.soil_c + site.soil_swing_c * _phase(t, scenario, 17.0))


def soil_moisture(t: Floats, scenario: Scenario) -> Floats:
    """Volumetric soil water [m³ m⁻³]: drying, with one watering at fertilizing."""
    since = (t - scenario.fertilized_at.timestamp()) / DAY_S
    return np.asarray(0.24 + np.where(since > 0, 0.14 * np.exp(-np.maximum(since, 0) / 4.0), 0.0))


def pressure_pa(t: Floats, scenario: Scenario) -> Floats:
    """Air pressure [Pa]."""
    mean = 101_325.0 * (1 - 2.25577e-5 * scenario.site.elevation_m) ** 5.25588
    return np.asarray(
        mean + 180.0 * np.sin(2 * np.pi * t / (3.1 * DAY_S)) + 60.0 * _phase(t, scenario, 10.0)
    )


def ambient_water(t: Floats, scenario: Scenario) -> Floats:
    """Water vapour outside [mol mol⁻¹]."""
    return np.asarray(0.0155 + 0.0015 * _phase(t, scenario, 8.0))


def source_flux(place: Place, gas: str, t: float, scenario: Scenario) -> float:
    """True flux at the moment a lid closes [nmol m⁻² s⁻¹]."""
    base = place.source[gas]
    warm = float(soil_temperature_c(np.array([t]), scenario)[0]) - scenario.site.soil_c
    q10 = {"N2O": 2.6, "CH4": 1.3, "CO2": 2.2}[gas]
    flux = base * q10 ** (warm / 10.0)
    since = (t - scenario.fertilized_at.timestamp()) / 3600.0
    if gas == "N2O" and since > 0:
        # Ammonium is nitrified within a day or two of spreading and watering in.
        unfertilized = place.treatment == scenario.site.treatments[1]
        strength = 0.4 if unfertilized else 7.0
        flux *= 1.0 + strength * (since / 14.0) * np.exp(1.0 - since / 14.0)
    return float(flux)


def moles_per_area(
    place: Place, t: float, water: float, scenario: Scenario, height_m: float
) -> float:
    """Dry air over a square metre of soil under a lid [mol m⁻²]."""
    volume = scenario.area_m2 * height_m + scenario.extra_volume_m3
    kelvin = 273.15 + float(air_temperature_c(np.array([t]), scenario)[0])
    pressure = float(pressure_pa(np.array([t]), scenario)[0])
    return pressure * volume * (1 - water) / (_R * kelvin * scenario.area_m2)


def headspace_water(seconds: Floats, outside: float) -> Floats:
    """Water vapour under a closed lid [mol mol⁻¹]: it moves towards saturation."""
    return np.asarray(outside + 0.009 * -np.expm1(-seconds / 500.0))


def headspace_dry(
    place: Place, gas: str, t: float, seconds: Floats, scenario: Scenario, height_m: float
) -> tuple[Floats, float]:
    """Dry mole fraction under a lid since it closed, and the true flux.

    The soil air feeds the headspace through a conductance g: dC/dt = (F/n), with
    F = F₀ − g (C − C₀) in the same units, which saturates.
    """
    flux = source_flux(place, gas, t, scenario)
    water = float(ambient_water(np.array([t]), scenario)[0])
    moles = moles_per_area(place, t, water + 0.0045, scenario, height_m)
    slope = flux / moles
    effective = height_m + scenario.extra_volume_m3 / scenario.area_m2
    rate = place.openness * CONDUCTANCE[gas] / effective
    start = AMBIENT[gas] * (1.0 + 0.004 * np.sin(t / 7000.0) * (gas == "CO2"))
    return np.asarray(start + slope * -np.expm1(-rate * seconds) / rate), flux


def red_noise(
    rng: np.random.RandomState, n: int, white: float, red: float, memory_s: float, step_s: float
) -> Floats:
    """White noise plus an AR(1) of the given standard deviation and memory."""
    rho = np.exp(-step_s / memory_s)
    shocks = rng.standard_normal(n) * red * np.sqrt(1 - rho**2)
    return np.asarray(white * rng.standard_normal(n) + lfilter([1.0], [1.0, -rho], shocks))


def analyzer_response(x: Floats, delay: int, memory_steps: float) -> Floats:
    """What the cell sees: the inlet, delayed, and mixed over the cell's turnover."""
    delayed = np.concatenate((np.full(delay, x[0]), x[:-delay])) if delay else x
    keep = np.exp(-1.0 / memory_steps)
    mixed, _ = lfilter([1 - keep], [1.0, -keep], delayed, zi=[keep * delayed[0]])
    return np.asarray(mixed)
