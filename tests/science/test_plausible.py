"""Bounds of air, and of the start of closures."""

import math
from datetime import UTC, datetime

import numpy as np
import pytest

from stream.science.quality.air import (
    OUTDOOR_NMOL,
    START_NMOL,
    Place,
    Start,
    air_bounds_c,
    exchanged,
    gross_starts,
    likely_cause,
    most_water,
    pressure_bounds_pa,
)
from stream.science.quality.likely import (
    AIR_PRESSURE,
    AIR_TEMPERATURE,
    AREA,
    EXTRA_VOLUME,
    HEIGHT,
    YIELD,
    Size,
)


def at(text: str) -> np.ndarray:
    return np.array([round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1e6)])


@pytest.mark.parametrize(
    ("latitude", "longitude", "elevation", "when", "celsius"),
    [
        (51.5, -0.2, 10.0, "2026-07-19T14:00", 40.2),
        (48.5, 44.5, 100.0, "2026-07-12T12:00", 44.3),
        (36.5, -116.9, -59.0, "2026-07-10T22:00", 56.7),
        (63.3, 143.2, 700.0, "2026-02-05T22:00", -67.7),
        (46.9, -122.3, 100.0, "2026-06-28T22:00", 46.0),
        (-38.0, 144.3, 100.0, "2026-02-07T04:00", 48.1),
        (28.0, 2.0, 300.0, "2026-07-05T13:00", 51.3),
    ],
)
def test_weather_that_was_measured_lies_within(
    latitude: float, longitude: float, elevation: float, when: str, celsius: float
) -> None:
    """Records of air temperature [World Meteorological Organization, records of weather and
    climate, and national services; from memory], at about their day of the year and hour.
    """
    low, high = air_bounds_c(at(when), Place(latitude, longitude, elevation))
    assert low[0] <= celsius <= high[0] + 2.0


@pytest.mark.parametrize(
    ("latitude", "longitude", "when", "celsius"),
    [(55.4, 9.7, "2026-06-15T12:00", -40.0), (55.4, 9.7, "2026-06-15T12:00", 850.0),
     (55.4, 9.7, "2026-06-15T12:00", 15.0 - 273.15), (55.4, 9.7, "2026-06-15T23:00", 55.4),
     (-21.3, -46.1, "2026-03-16T03:00", 68.0), (-21.3, -46.1, "2026-03-16T15:00", -40.0)],
)  # fmt: skip
def test_wrong_units_and_broken_sensors_lie_outside(
    latitude: float, longitude: float, when: str, celsius: float
) -> None:
    low, high = air_bounds_c(at(when), Place(latitude, longitude, 100.0))
    assert not low[0] <= celsius <= high[0]


def test_without_a_place_only_what_no_field_has() -> None:
    low, high = air_bounds_c(at("2026-06-15T12:00"), Place(None, None, None))
    assert (low[0], high[0]) == (-70.0, 80.0)


@pytest.mark.parametrize(
    ("elevation", "hpa"),
    # Deep lows and strong highs at about sea level, and the same shares of the standard
    # atmosphere higher up [ISO 2533; extremes of Europe from memory].
    [(0.0, 925.0), (0.0, 1065.0), (300.0, 890.0), (880.0, 850.0), (2500.0, 700.0)],
)
def test_weather_keeps_pressure_within(elevation: float, hpa: float) -> None:
    low, high = pressure_bounds_pa(elevation)
    assert low < 100 * hpa < high


@pytest.mark.parametrize(
    ("elevation", "pa"), [(0.0, 10.13e3), (0.0, 1013.0), (1500.0, 101325.0), (0.0, 84556.0)]
)
def test_pressure_in_a_wrong_unit_or_at_sea_level_lies_outside(elevation: float, pa: float) -> None:
    low, high = pressure_bounds_pa(elevation)
    assert not low <= pa <= high


def test_water_in_a_wrong_unit_is_more_than_air_holds() -> None:
    """Saturation at 25 °C is 3.17 kPa [IAPWS-95]: 31 mmol/mol, which fog may have; per cent
    read as mmol/mol, or the other way, is not close.
    """
    warm, pressure = np.array([298.15]), np.array([101_325.0])
    assert most_water(warm, pressure)[0] > 0.0313
    assert most_water(np.array([278.15]), pressure)[0] < 0.08


def start(nmol: float, scale: float = 1.0) -> Start:
    return Start(nmol, nmol, scale)


GOOD = {"N2O": start(338.0), "CH4": start(1930.0), "CO2": start(424e3, 1e3)}


@pytest.mark.parametrize(
    ("changed", "gross", "words"),
    [
        ({}, set(), ""),
        ({"CO2": start(424.0, 1e3)}, {"CO2"}, "1/1,000 of outdoor air"),
        ({"CO2": start(424e6, 1e3)}, {"CO2"}, "1,000 times outdoor air"),
        ({"N2O": start(0.338)}, {"N2O"}, "1/1,000 of outdoor air"),
        ({"N2O": start(1930.0), "CH4": start(338.0)}, {"N2O", "CH4"}, "typical of CH4"),
        ({"CO2": start(1930e3, 1e3), "CH4": start(424.0)}, {"CO2", "CH4"}, "typical of CH4"),
        ({"N2O": start(0.4)}, {"N2O"}, ""),
        ({"N2O": Start(math.nan, 0.2, 1.0)}, {"N2O"}, ""),
        # A start that only the curve puts there, and one that only the curve takes back.
        ({"N2O": Start(200.0, 340.0, 1.0)}, set(), ""),
        ({"N2O": Start(338.0, 2400.0, 1.0)}, set(), ""),
    ],
)
def test_gross_starts(changed: dict[str, Start], gross: set[str], words: str) -> None:
    starts = {**GOOD, **changed}
    assert gross_starts(starts, {}, dark=False) == gross
    if words:
        gas = next(iter(changed))
        unit = "umol/mol" if gas == "CO2" else "nmol/mol"
        assert words in likely_cause(gas, starts, unit)


def test_co2_in_the_dark() -> None:
    """A canopy draws it down by day; by night 338 umol/mol is N2O's column."""
    starts = {"N2O": start(424.0), "CO2": start(338e3, 1e3)}
    assert gross_starts(starts, {}, dark=False) == set()
    assert gross_starts(starts, {}, dark=True) == {"N2O", "CO2"}
    assert exchanged(starts) == [("N2O", "CO2")]
    said = likely_cause("CO2", starts, "umol/mol")
    assert said == "CO2 begins at 338 umol/mol, typical of N2O. The two columns may be exchanged"


def test_ranges_can_be_set() -> None:
    barn = {"CH4": start(80_000.0)}
    assert gross_starts(barn, {}, dark=False) == {"CH4"}
    assert gross_starts(barn, {"CH4": (1000.0, 200_000.0)}, dark=False) == set()


def test_outdoor_air_lies_within_the_ranges_for_a_century() -> None:
    """With the growth of 2024 [NOAA Global Monitoring Laboratory; from memory]."""
    growth = {"CO2": 2500.0, "CH4": 10.0, "N2O": 1.1}
    for gas, (low, high) in START_NMOL.items():
        assert low < OUTDOOR_NMOL[gas] < OUTDOOR_NMOL[gas] + 100 * growth[gas] < high


@pytest.mark.parametrize(
    ("size", "written", "words"),
    [
        (HEIGHT, 18.0, "in cm that would be 0.18 m, in inches 0.4572 m"),
        (HEIGHT, 120.0, "in mm that would be 0.12 m"),
        (HEIGHT, 60.0, "in cm that would be 0.6 m, in mm 0.06 m"),
        (HEIGHT, 6.0, "in cm that would be 0.06 m, in inches 0.1524 m"),
        (HEIGHT, 1200.0, "in mm that would be 1.2 m"),
        (AREA, 100.0, "in cm2 that would be 0.01 m2, in dm2 1 m2"),
        (EXTRA_VOLUME, 400.0, "in cm3 that would be 0.0004 m3"),
        (EXTRA_VOLUME, 30.0, "in litres that would be 0.03 m3, in cm3 3e-05 m3"),
        (YIELD, 46_000.0, "in kg/ha that would be 46 t/ha"),
        (YIELD, 460.0, "in dt/ha that would be 46 t/ha"),
        (HEIGHT, 152.0, "in mm that would be 0.152 m"),
        (AREA, 2500.0, "in cm2 that would be 0.25 m2"),
        (AIR_PRESSURE, 101_325.0, "in Pa that would be 1013 hPa"),
        (AIR_PRESSURE, 101.3, "in kPa that would be 1013 hPa"),
        (AIR_PRESSURE, 1.013, "in bar that would be 1013 hPa, in atmospheres 1026 hPa"),
        (AIR_PRESSURE, 29.9, "in inHg that would be 1013 hPa"),
        (AIR_TEMPERATURE, 288.0, "in K that would be 14.85 degC"),
        (EXTRA_VOLUME, 4.0, "in litres that would be 0.004 m3"),
    ],
)
def test_the_likely_unit(size: Size, written: float, words: str) -> None:
    """Factors of units [NIST SP 811; from memory]."""
    assert size.cannot_be(written) or (size is YIELD and size.is_odd(written))
    assert size.likely(written) == words
