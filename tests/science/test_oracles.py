"""The fits against general libraries: statsmodels 0.14+ and scipy.optimize.curve_fit."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.optimize import curve_fit

from stream.science.models import MODELS, FitStatus
from stream.science.models.choice import aicc
from stream.science.models.fit import lay_end_to_end


def closures(count: int, seed: int) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Simulated closures of ragged length, curvature and noise."""
    rng = np.random.default_rng(seed)
    times, values = [], []
    for _ in range(count):
        n = int(rng.integers(8, 400))
        t = np.sort(rng.uniform(20, 900, n))
        k = np.exp(rng.uniform(np.log(3e-4), np.log(6e-3)))
        s = rng.choice([-1, 1]) * np.exp(rng.normal(-1, 1))
        times.append(t)
        values.append(330 + s * -np.expm1(-k * t) / k + rng.normal(0, 0.3, n))
    return times, values


def test_linear_and_quadratic_against_statsmodels() -> None:
    """Coefficients, standard errors, R² and RSS of sm.OLS."""
    times, values = closures(60, 1)
    segments = lay_end_to_end(times, values)
    for model, power in (("linear", 1), ("quadratic", 2)):
        fit = MODELS[model].fit(segments, correlated=False)
        for i, (t, y) in enumerate(zip(times, values, strict=True)):
            oracle = sm.OLS(y, np.vander(t, power + 1, increasing=True)).fit()
            assert fit.start[i] == pytest.approx(oracle.params[0], rel=1e-8)
            assert fit.slope[i] == pytest.approx(oracle.params[1], rel=1e-7)
            assert fit.start_se[i] == pytest.approx(oracle.bse[0], rel=1e-6)
            assert fit.slope_se[i] == pytest.approx(oracle.bse[1], rel=1e-6)
            assert fit.rss[i] == pytest.approx(oracle.ssr, rel=1e-8)
            assert fit.r_squared[i] == pytest.approx(oracle.rsquared, abs=1e-8)


def test_weights_against_statsmodels() -> None:
    """Known variances: sm.WLS with a fixed scale of one, or its own where that is larger."""
    rng = np.random.default_rng(3)
    t = np.array([70.0, 800.0, 1500.0, 2200.0, 2900.0])
    sigma = np.array([0.3, 0.1, 0.2, 0.15, 0.4])
    for stretch in (0.2, 4.0):
        y = 330 + 0.02 * t + stretch * sigma * rng.standard_normal(5)
        fit = MODELS["linear"].fit(lay_end_to_end([t], [y], [sigma**-2.0], known_variance=True))
        oracle = sm.WLS(y, sm.add_constant(t), weights=sigma**-2.0).fit()
        scale = max(1.0, oracle.scale)
        expected = np.sqrt(scale * oracle.normalized_cov_params[1, 1])
        assert fit.slope[0] == pytest.approx(oracle.params[1], rel=1e-9)
        assert fit.slope_se[0] == pytest.approx(expected, rel=1e-9)


def curve(t: np.ndarray, c: float, s: float, k: float) -> np.ndarray:
    return c + s * -np.expm1(-k * t) / k


def jacobian(t: np.ndarray, c: float, s: float, k: float) -> np.ndarray:
    e = np.exp(-k * t)
    return np.column_stack(
        (np.ones_like(t), -np.expm1(-k * t) / k, s * (t * k * e - (1 - e)) / k**2)
    )


def test_saturating_against_tight_curve_fit() -> None:
    """Analytic Jacobian and tolerances of 1e-15, started at our answer and beside it."""
    times, values = closures(60, 2)
    fit = MODELS["saturating"].fit(lay_end_to_end(times, values), correlated=False)
    compared = 0
    for i in np.flatnonzero(fit.status == FitStatus.OK):
        ours = np.array([fit.start[i], fit.slope[i], fit.curvature[i]])
        theirs, covariance = curve_fit(
            curve,
            times[i],
            values[i],
            p0=ours * (1, 1.02, 0.97),
            jac=jacobian,
            xtol=1e-15,
            ftol=1e-15,
            gtol=1e-15,
            x_scale=np.abs(ours),
            method="trf",
        )
        rss = np.sum((values[i] - curve(times[i], *theirs)) ** 2)
        assert fit.rss[i] <= rss * (1 + 1e-9)
        assert fit.slope[i] == pytest.approx(theirs[1], rel=2e-6)
        error = np.sqrt(np.diag(covariance))
        assert fit.slope_se[i] == pytest.approx(error[1], rel=1e-4)
        assert fit.start_se[i] == pytest.approx(error[0], rel=1e-4)
        assert fit.curvature_se[i] == pytest.approx(error[2], rel=1e-4)
        compared += 1
    assert compared > 40


def test_no_start_of_curve_fit_finds_less() -> None:
    """From many starting values nothing beats the variable projection."""
    times, values = closures(12, 9)
    fit = MODELS["saturating"].fit(lay_end_to_end(times, values), correlated=False)
    for i, (t, y) in enumerate(zip(times, values, strict=True)):
        for k in (1e-4, 1e-3, 5e-3, 2e-2):
            try:
                found, _ = curve_fit(
                    curve,
                    t,
                    y,
                    p0=(330, np.polyfit(t, y, 1)[0], k),
                    bounds=([-np.inf, -np.inf, 1e-9], [np.inf, np.inf, 3 / t[0]]),
                )
            except RuntimeError:
                continue
            assert fit.rss[i] <= np.sum((y - curve(t, *found)) ** 2) * (1 + 1e-7)


def test_aicc_of_misra1a() -> None:
    """Burnham and Anderson 2002, ch. 2 (from memory); values derived from the certified RSS."""
    n = np.array([14.0])
    rss = np.array([1.2455138894e-01])
    assert aicc(rss, n, 3, rss / n)[0] == pytest.approx(-57.709319, abs=1e-6)
    line = np.array([17.293855])
    assert aicc(line, n, 3, line / n)[0] == pytest.approx(11.358115, abs=1e-6)


def test_aicc_is_undefined_for_few_points() -> None:
    """A three-parameter curve (K = 4) needs six points."""
    rss = np.array([1.0, 1.0])
    value = aicc(rss, np.array([5.0, 6.0]), 4, rss / 5)
    assert np.isinf(value[0])
    assert np.isfinite(value[1])
