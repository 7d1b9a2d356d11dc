"""Air: constants, standard atmosphere, water vapour, ideal gas, units, soil water."""

import iapws
import numpy as np
import pytest
import scipy.constants

from stream.science.flux import constants
from stream.science.flux.flux import (
    Headspace,
    detection_limit,
    dry_air_per_area,
    dry_mole_fraction,
    geopotential_height,
    line_slope_se,
    relative_geometry_se,
    saturation_pressure,
    slope_to_flux,
    standard_pressure,
    water_filled_pore_space,
)
from stream.science.flux.units import flux_unit, rule_between, senml_rule

N2O_N = flux_unit("ug N m-2 h-1").per_nmol("N2O")


def test_gas_constant() -> None:
    """CODATA as scipy.constants carries it."""
    assert pytest.approx(scipy.constants.R, rel=1e-15) == constants.GAS_CONSTANT
    assert scipy.constants.atm == constants.STANDARD_ATMOSPHERE_PA
    assert scipy.constants.zero_Celsius == constants.ZERO_CELSIUS_K


def test_molar_volume() -> None:
    """CODATA molar volume of an ideal gas at 273.15 K and 101.325 kPa, 22.413 969 545 L/mol."""
    moles = dry_air_per_area(22.413969545014e-3, 1.0, 101325.0, 273.15)
    assert moles == pytest.approx(1.0, rel=1e-12)


def test_molar_masses() -> None:
    """From the abridged standard atomic weights of CIAAW 2021 (abridged values from memory)."""
    table = {"N2O": 44.013, "CH4": 16.043, "CO2": 44.009}
    for gas, mass in table.items():
        assert constants.MOLAR_MASS[gas] == pytest.approx(mass, abs=5e-4)


@pytest.mark.parametrize(
    ("height", "geopotential", "geometric"),
    [
        (0, 101325.00, 101325.00),
        (100, 100129.44, 100129.46),
        (250, 98357.54, 98357.65),
        (500, 95460.84, 95461.29),
        (1000, 89874.57, 89876.29),
        (1500, 84556.00, 84559.68),
        (2000, 79495.22, 79501.42),
    ],
)
def test_standard_atmosphere(height: int, geopotential: float, geometric: float) -> None:
    """US Standard Atmosphere 1976 / ICAO Doc 7488, table by height (derived, tables agree)."""
    assert standard_pressure(height) == pytest.approx(geometric, abs=0.006)
    by_geopotential = 6356766.0 * height / (6356766.0 - height)
    assert standard_pressure(by_geopotential) == pytest.approx(geopotential, abs=0.006)
    assert geopotential_height(by_geopotential) == pytest.approx(height, abs=1e-6)


def test_no_standard_atmosphere_above_the_lowest_layer() -> None:
    with pytest.raises(ValueError, match="outside"):
        standard_pressure(12_000.0)


@pytest.mark.parametrize("celsius", [0.01, 5, 10, 15, 20, 25, 30, 35, 40, 45, 50])
def test_saturation_pressure_against_iapws(celsius: float) -> None:
    """Within 0.4 % of IAPWS-IF97 Eq. 30, from the general library iapws 1.5."""
    reference = iapws.iapws97._PSat_T(celsius + 273.15) * 1e6
    assert saturation_pressure(celsius) == pytest.approx(reference, rel=0.004)


@pytest.mark.parametrize(
    ("celsius", "pascal"), [(0.01, 611.643), (20, 2332.596), (25, 3160.057), (50, 12345.158)]
)
def test_saturation_pressure_as_wmo_writes_it(celsius: float, pascal: float) -> None:
    """WMO-No. 8 (2008), Annex 4.B, worked from the published formula."""
    assert saturation_pressure(celsius) == pytest.approx(pascal, rel=1e-5)


def test_dilution_by_water() -> None:
    """Dalton's law: 330 in moist air with 2 % of water is 336.7347 in dry air (derived)."""
    assert dry_mole_fraction(330.0, 0.02) == pytest.approx(336.7347, abs=5e-5)
    drift = 330.0 * (1 - np.array([0.010, 0.025]))
    assert drift == pytest.approx([326.70, 321.75])
    assert dry_mole_fraction(drift, np.array([0.010, 0.025])) == pytest.approx([330.0, 330.0])


def test_worked_fluxes() -> None:
    """1 ppb a minute under 0.10 m, and 10 ppb a minute under 0.15 m (ideal gas, derived)."""
    first = slope_to_flux(1 / 60, 0.1, 1.0, 101325.0, 293.15) * N2O_N
    assert first == pytest.approx(6.987453, rel=1e-6)
    second = slope_to_flux(10 / 60, 0.15 * 0.25, 0.25, 95000.0, 298.15) * N2O_N
    assert second == pytest.approx(96.621158, rel=1e-6)


def test_dry_air_only() -> None:
    """F = dx/dt · P (1 − w) V/(R T A): the water's share of the air carries no gas."""
    dry = slope_to_flux(1.0, 0.1, 1.0, 101325.0, 293.15)
    moist = slope_to_flux(1.0, 0.1, 1.0, 101325.0, 293.15, 0.02)
    assert moist == pytest.approx(dry * 0.98, rel=1e-14)


@pytest.mark.parametrize(
    "bad",
    [
        {"volume_m3": 0.0},
        {"area_m2": -1.0},
        {"pressure_pa": 0.0},
        {"temperature_k": -3.0},
        {"water": 1.0},
        {"water": -0.1},
    ],
)
def test_impossible_headspaces_are_refused(bad: dict[str, float]) -> None:
    good = {"volume_m3": 0.1, "area_m2": 1.0, "pressure_pa": 1e5, "temperature_k": 293.0}
    with pytest.raises(ValueError, match=r"positive|between"):
        slope_to_flux(1.0, **{**good, **bad})


def test_geometry_error_by_finite_differences() -> None:
    """First-order propagation, by hand: each input moved by its standard deviation."""
    one = np.ones(1)
    air = Headspace(
        *(0.15 * one, 0.25 * one, 0.0004 * one, 95000.0 * one, 298.15 * one, 0.015 * one),
        *(0.004 * one, 0.002 * one, 0.00005 * one, 120.0 * one, 0.7 * one),
    )

    def flux(h: float, a: float, extra: float, p: float, t: float) -> float:
        return float(slope_to_flux(1.0, h * a + extra, a, p, t, 0.015))

    centre = [0.15, 0.25, 0.0004, 95000.0, 298.15]
    spread = [0.004, 0.002, 0.00005, 120.0, 0.7]
    total = 0.0
    for i, sd in enumerate(spread):
        up, down = list(centre), list(centre)
        up[i] += 1e-3 * sd
        down[i] -= 1e-3 * sd
        total += ((flux(*up) - flux(*down)) / 2e-3) ** 2
    expected = np.sqrt(total) / flux(*centre)
    assert relative_geometry_se(air)[0] == pytest.approx(expected, rel=1e-5)


def test_detection_limit_by_students_t() -> None:
    """σ 0.3 ppb, 600 points over 600 s, 0.15 m, 20 °C: 0.087187 µg N m⁻² h⁻¹ (derived)."""
    error = line_slope_se(0.3, 600.0, 600)
    moles = dry_air_per_area(0.15, 1.0, 101325.0, 293.15)
    limit = detection_limit(error, 598, moles) * N2O_N
    assert limit == pytest.approx(0.087187, rel=2e-5)


@pytest.mark.parametrize(
    ("unit", "gas", "factor"),
    [
        ("ug N m-2 h-1", "N2O", 100.8504),
        ("ug C m-2 h-1", "CH4", 43.2396),
        ("g C m-2 d-1", "CO2", 1.0377504e-3),
        ("g N ha-1 d-1", "N2O", 100.8504 * 0.24),
        ("kg N ha-1 a-1", "N2O", 100.8504 * 0.0876),
        ("umol m-2 s-1", "CO2", 1e-3),
        ("nmol m-2 s-1", "CH4", 1.0),
        ("mg CO2 m-2 h-1", "CO2", 44.009 * 3600 * 1e-6),
    ],
)
def test_flux_units(unit: str, gas: str, factor: float) -> None:
    """Factors from nmol m⁻² s⁻¹ (derived from the abridged atomic weights)."""
    assert flux_unit(unit).per_nmol(gas) == pytest.approx(factor, rel=1e-6)


@pytest.mark.parametrize("text", ["", "furlong", "ug m-2 h-1", "ug Xe m-2 h-1", "ug N m-2 s"])
def test_what_is_no_flux_unit(text: str) -> None:
    with pytest.raises(ValueError, match="flux unit"):
        flux_unit(text)


def test_elements_belong_to_gases() -> None:
    with pytest.raises(ValueError, match="does not apply to CH4"):
        flux_unit("ug N m-2 h-1").per_nmol("CH4")


@pytest.mark.parametrize(
    ("unit", "wanted", "value", "expected"),
    [
        ("umol/mol", "nmol/mol", 0.33, 330.0),
        ("mmol/mol", "mol/mol", 15.0, 0.015),
        ("degC", "K", 20.0, 293.15),
        ("K", "degC", 293.15, 20.0),
        ("hPa", "Pa", 950.0, 95000.0),
        ("%vol", "m3/m3", 28.0, 0.28),
        ("1", "nmol/mol", 3.3e-7, 330.0),
        ("%", "m3/m3", 28.0, 0.28),
    ],
)
def test_channel_units(unit: str, wanted: str, value: float, expected: float) -> None:
    scale, shift = rule_between(unit, wanted)
    assert value * scale + shift == pytest.approx(expected, rel=1e-12)


def test_senml_units() -> None:
    """RFC 8428: Cel, and "%" which names a ratio of 0 to 1; RFC 8798: hPa, ppm (from memory)."""
    assert senml_rule("Cel", "degC") == (1.0, 0.0)
    assert senml_rule("%", "1") == (1.0, 0.0)
    assert senml_rule("ppm", "nmol/mol") == (1000.0, 0.0)
    scale, shift = senml_rule("K", "degC")
    assert 293.15 * scale + shift == pytest.approx(20.0)
    with pytest.raises(ValueError, match="not known"):
        senml_rule("furlong", "m")
    with pytest.raises(ValueError, match="is a temperature"):
        senml_rule("Cel", "Pa")


def test_water_filled_pore_space() -> None:
    """θ 0.28 at 1.35 g cm⁻³ is 0.570769 of the pores; common practice, particle density 2.65."""
    assert water_filled_pore_space(0.28, 1.35) == pytest.approx(0.570769, abs=1e-6)
