"""Fits and errors against lmfit, and the propagation of errors against uncertainties."""

import numpy as np
import pytest
from lmfit import Model
from uncertainties import ufloat

from stream.science.flux.constants import GAS_CONSTANT
from stream.science.flux.flux import Headspace, dry_air_per_area, flux_se, relative_geometry_se
from stream.science.models import MODELS
from stream.science.models.fit import lay_end_to_end


def saturating(t: np.ndarray, c0: float, s0: float, k: float) -> np.ndarray:
    return c0 + s0 * -np.expm1(-k * t) / k


@pytest.mark.parametrize("seed", range(4))
def test_a_saturating_curve_against_lmfit(seed: int) -> None:
    """Parameters, and standard errors scaled by the residuals, of lmfit's least squares."""
    rng = np.random.default_rng(seed)
    t = np.linspace(20.0, 620.0, 200)
    k = 10.0 ** rng.uniform(-3.2, -2.3)
    y = saturating(t, 332.0, 0.4, k) + 0.3 * rng.standard_normal(len(t))
    theirs = Model(saturating).fit(
        y, t=t, c0=330.0, s0=0.3, k=2e-3, fit_kws={"xtol": 1e-12, "ftol": 1e-12}
    )
    ours = MODELS["saturating"].fit(lay_end_to_end([t], [y]), correlated=False)
    p = theirs.params
    assert ours.start[0] == pytest.approx(p["c0"].value, rel=1e-6)
    assert ours.slope[0] == pytest.approx(p["s0"].value, rel=1e-4)
    assert ours.curvature[0] == pytest.approx(p["k"].value, rel=1e-3)
    assert ours.slope_se[0] == pytest.approx(p["s0"].stderr, rel=2e-3)
    assert ours.curvature_se[0] == pytest.approx(p["k"].stderr, rel=2e-3)
    assert ours.start_se[0] == pytest.approx(p["c0"].stderr, rel=2e-3)


def test_known_variances_against_lmfit() -> None:
    """Weights of 1/σ and no scaling: the errors are those of the stated noise."""
    rng = np.random.default_rng(7)
    t = np.linspace(0.0, 3600.0, 12)
    sigma = rng.uniform(0.5, 2.0, 12)
    y = saturating(t, 332.0, 0.2, 3e-4) + 0.4 * sigma * rng.standard_normal(12)
    theirs = Model(saturating).fit(
        y, t=t, c0=330.0, s0=0.3, k=2e-4, weights=1.0 / sigma, scale_covar=False
    )
    ours = MODELS["saturating"].fit(lay_end_to_end([t], [y], [sigma**-2.0], known_variance=True))
    assert ours.slope[0] == pytest.approx(theirs.params["s0"].value, rel=1e-4)
    assert ours.slope_se[0] == pytest.approx(theirs.params["s0"].stderr, rel=5e-3)


@pytest.mark.parametrize("extra_m3", [0.0, 0.002])
def test_errors_propagate_as_uncertainties_says(extra_m3: float) -> None:
    """F = s (A h + v) P (1 − w)/(R T A), each with its error, to first order."""
    slope, height = ufloat(0.35, 0.012), ufloat(0.152, 0.004)
    area, extra = ufloat(0.25, 0.003), ufloat(extra_m3, 0.0003)
    pressure, kelvin, water = ufloat(96_500.0, 300.0), ufloat(297.4, 0.7), 0.016
    volume = area * height + extra
    flux = slope * volume * pressure * (1.0 - water) / (GAS_CONSTANT * kelvin * area)

    def one(x: object) -> np.ndarray:
        return np.array([float(str(getattr(x, "nominal_value", x)))])

    def sd(x: object) -> np.ndarray:
        return np.array([float(str(x.std_dev))])  # type: ignore[attr-defined]

    air = Headspace(
        height_m=one(height), area_m2=one(area), extra_volume_m3=one(extra),
        pressure_pa=one(pressure), temperature_k=one(kelvin), water=np.array([water]),
        height_se=sd(height), area_se=sd(area), extra_volume_se=sd(extra),
        pressure_se=sd(pressure), temperature_se=sd(kelvin),
    )  # fmt: skip
    moles = dry_air_per_area(
        air.volume_m3, air.area_m2, air.pressure_pa, air.temperature_k, air.water
    )
    ours = one(slope) * moles
    assert ours[0] == pytest.approx(flux.nominal_value, rel=1e-12)
    error = flux_se(ours, sd(slope) * moles, relative_geometry_se(air))
    assert error[0] == pytest.approx(flux.std_dev, rel=1e-9)
