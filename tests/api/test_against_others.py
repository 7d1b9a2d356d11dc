"""Fits and fluxes of arrays against general libraries and a published worked example."""

from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.optimize import curve_fit

import stream

NIST = Path(__file__).parents[1] / "data" / "nist"
AIR = {"volume_m3": 0.0375, "area_m2": 0.25, "temperature_c": 20.0, "pressure_pa": 98_000.0}


def points(seed: int, k: float = 0.0, n: int = 40) -> tuple[np.ndarray, np.ndarray]:
    """A closure of twenty minutes with independent noise [s], [nmol mol⁻¹]."""
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(20.0, 1200.0, n))
    shape = t if k == 0 else -np.expm1(-k * t) / k
    return t, 330.0 + 0.12 * shape + 0.5 * rng.standard_normal(n)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("degree", [1, 2])
def test_lines_and_parabolas_are_those_of_statsmodels(seed: int, degree: int) -> None:
    """Ordinary and weighted least squares of statsmodels (0.14): coefficients, residuals, R²;
    with known variances the errors too, where the residuals are no larger than those say.
    """
    t, y = points(seed)
    design = np.vander(t, degree + 1, increasing=True)
    name = ("linear", "quadratic")[degree - 1]
    fit = stream.fit(t, y, model=name)
    other = sm.OLS(y, design).fit()
    np.testing.assert_allclose(fit.params, other.params, rtol=1e-9)
    np.testing.assert_allclose(fit.resid, other.resid, atol=1e-8)
    np.testing.assert_allclose(fit.fittedvalues, other.fittedvalues, rtol=1e-12)
    assert fit.rsquared == pytest.approx(other.rsquared, rel=1e-9)
    assert fit.ssr == pytest.approx(other.ssr, rel=1e-9)
    assert (fit.nobs, fit.df_resid, fit.df_model) == (other.nobs, other.df_resid, other.df_model)
    grid = np.linspace(0.0, 1200.0, 7)
    wanted = other.predict(np.vander(grid, degree + 1, increasing=True))
    np.testing.assert_allclose(fit.predict(grid), wanted, rtol=1e-12)

    error = np.linspace(0.8, 1.6, len(t))
    known = stream.fit(t, y, se=error, model=name)
    weighted = sm.WLS(y, design, weights=1 / error**2).fit(cov_type="fixed scale")
    np.testing.assert_allclose(known.params, weighted.params, rtol=1e-9)
    np.testing.assert_allclose(known.bse, weighted.bse, rtol=1e-9)
    low, high = (known.conf_int(alpha=0.1)[end] for end in ("lower", "upper"))
    wanted = weighted.conf_int(alpha=0.1)  # normal, as for a fixed scale
    np.testing.assert_allclose(np.column_stack([low, high]), wanted, rtol=1e-6)
    only = stream.fit(t, y, se=error, model=name, candidates=[name], **AIR)
    factor = stream.flux(1.0, **AIR)
    assert only.flux == pytest.approx(weighted.params[1] * factor, rel=1e-9)
    assert only.flux_se == pytest.approx(weighted.bse[1] * factor, rel=1e-9)


def test_what_is_unknown_is_left_out() -> None:
    """Masked, infinite and NaN alike, of any kind of array."""
    import pandas as pd

    t, y = points(7)
    known = stream.fit(np.delete(t, [5, 9]), np.delete(y, [5, 9]))
    for odd in (np.nan, np.inf, -np.inf):
        spoiled = y.copy()
        spoiled[[5, 9]] = odd
        for given in (spoiled, list(spoiled), pd.Series(spoiled)):
            assert stream.fit(t, given).params.equals(known.params)
    spoiled[[5, 9]] = 1e6
    masked = np.ma.masked_greater(spoiled, 1e5)
    assert stream.fit(t, masked).params.equals(known.params)
    assert stream.fit(t, masked, candidates="linear").nobs == len(t) - 2


def test_errors_of_independent_noise_are_those_of_statsmodels() -> None:
    """Without known variances the errors allow for noise that goes together in time, and ask for
    many points before they believe that it does not: a thousand readings of independent noise
    give those of ordinary least squares (statsmodels 0.14) to a tenth in the mean, and no less.
    """
    ratios = []
    t = np.linspace(20.0, 1200.0, 1000)
    for seed in range(100):
        y = 330.0 + 0.12 * t + 0.5 * np.random.default_rng(seed).standard_normal(len(t))
        ours = stream.fit(t, y, model="linear").bse
        ratios.append(ours / sm.OLS(y, sm.add_constant(t)).fit().bse)
    assert 1.0 <= np.mean(ratios) <= 1.1
    assert np.min(ratios) > 0.99


@pytest.mark.parametrize("k", [4e-4, 1e-3, 3e-3])
def test_the_saturating_curve_is_that_of_scipy(k: float) -> None:
    """curve_fit (scipy 1.17) with an analytic Jacobian and tolerances of 1e-15: coefficients to
    1e-6, standard errors of known variances to 1e-5.
    """
    t, y = points(7, k)
    error = np.full(len(t), 0.9)

    def curve(t: np.ndarray, start: float, slope: float, k: float) -> np.ndarray:
        return start - slope * np.expm1(-k * t) / k

    def slopes(t: np.ndarray, start: float, slope: float, k: float) -> np.ndarray:
        phi = -np.expm1(-k * t) / k
        return np.column_stack([np.ones_like(t), phi, slope * (t * np.exp(-k * t) - phi) / k])

    wanted, covariance = curve_fit(
        curve, t, y, p0=(330.0, 0.1, k), sigma=error, absolute_sigma=True, jac=slopes,
        ftol=1e-15, xtol=1e-15, gtol=1e-15, maxfev=5000,
    )  # fmt: skip
    fit = stream.fit(t, y, se=error, model="saturating", candidates=["saturating"], **AIR)
    np.testing.assert_allclose(fit.params, wanted, rtol=1e-6)
    np.testing.assert_allclose(fit.bse, np.sqrt(np.diag(covariance)), rtol=1e-5)
    factor = stream.flux(1.0, **AIR)
    assert fit.flux == pytest.approx(wanted[1] * factor, rel=1e-6)
    assert fit.flux_se == pytest.approx(np.sqrt(covariance[1, 1]) * factor, rel=1e-5)


def test_a_flux_worked_out_by_hand() -> None:
    """The ideal gas law with CODATA 2018's R = 8.31446261815324 J mol⁻¹ K⁻¹, worked out by hand.

    V/A = 0.2 m, 100 kPa, 25 °C: n/A = 100000 · 0.2/(8.31446 · 298.15) = 8.06791 mol m⁻²;
    of air with 2 % of water 7.90655 mol m⁻² are dry. A rise of 0.5 nmol mol⁻¹ s⁻¹ is
    3.95328 nmol m⁻² s⁻¹, as N2O 2 · 14.007 g of nitrogen a mole: 398.69 µg N m⁻² h⁻¹.
    """
    air = {"volume_m3": 0.05, "area_m2": 0.25, "temperature_c": 25.0, "pressure_pa": 100_000.0}
    dry = stream.flux(0.5, **air)
    wet = stream.flux(0.5, **air, water_mol_mol=0.02)
    assert dry == pytest.approx(0.5 * 100_000 * 0.2 / (8.31446261815324 * 298.15), rel=1e-12)
    assert dry == pytest.approx(4.03395, rel=1e-5)
    assert wet == pytest.approx(3.95328, rel=1e-5)
    mass = stream.flux([0.5, 1.0], **air, water_mol_mol=0.02, gas="N2O", unit="ug N m-2 h-1")
    np.testing.assert_allclose(mass, [398.69, 797.38], rtol=2e-4)
    many = stream.flux(np.array([0.1, 0.2, 0.3]), [0.05, 0.06, 0.07], 0.25, 25.0, 100_000.0)
    assert many.shape == (3,)


def test_a_standard_data_set_of_straight_lines() -> None:
    """NIST/ITL StRD, linear regression, data set Norris: certified intercept −0.262323073774029,
    slope 1.00211681802045, residual sum of squares 26.6173985294224, 36 observations.
    """
    data = np.loadtxt(NIST / "Norris.csv", delimiter=",", skiprows=2, comments="#")
    assert data.shape == (36, 2)
    fit = stream.fit(data[:, 1], data[:, 0], model="linear")
    np.testing.assert_allclose(fit.params, [-0.262323073774029, 1.00211681802045], rtol=1e-10)
    assert fit.ssr == pytest.approx(26.6173985294224, rel=1e-10)
    assert fit.df_resid == 34


def test_what_is_left_out_and_what_cannot_be_fitted() -> None:
    t = np.array([-20.0, 0.0, 30.0, 60.0, 90.0, 120.0, 150.0])
    y = np.array([330.0, 331.0, 334.0, np.nan, 340.2, 343.0, 346.1])
    fit = stream.fit(t[::-1], y[::-1], dead_band_s=10.0, max_duration_s=140.0, model="linear")
    assert fit.seconds.tolist() == [30.0, 90.0, 120.0]
    assert fit.left_out[0].tolist() == [-20.0, 0.0, 150.0]
    none = stream.fit([10.0, 20.0], [330.0, 331.0])
    assert (none.model, none.reason) == ("", "no_fit")
    assert np.isnan(none.flux)
    assert none.models["linear"].reason == "few_points"
    assert len(none.params) == 0
    assert "no_fit" in none.summary()
    assert np.isnan(none.predict([5.0])).all()
    assert "no fit" in repr(none)
