"""The state-space model of daily fluxes, against the same Gaussian model written out in full."""

import numpy as np
import pytest
from scipy import stats

from stream.science.season.days_model import Observed, Scatter, draw, log_likelihood

CHAMBERS, DAYS = 3, 20


def a_season(seed: int) -> tuple[Observed, Scatter]:
    rng = np.random.default_rng(seed)
    z = rng.normal(size=(CHAMBERS, DAYS))
    z[:, 8:12] = np.nan
    z[1, 3] = np.nan
    observed = Observed(
        z,
        0.2 * rng.random(z.shape),
        np.column_stack([np.ones(DAYS), rng.normal(size=(DAYS, 2))]),
        np.array([25.0, 1.0, 4.0]),
        np.zeros((DAYS, 0)),
    )
    kept = np.repeat([0.8, 0.6, 0.97], [1, CHAMBERS, CHAMBERS])
    variances = 0.1 + rng.random((len(kept), DAYS))
    return observed, Scatter(variances, kept, 0.3)


def covariance(o: Observed, s: Scatter) -> np.ndarray:
    """Of all chambers and days without noise and scatter of the day: day by day, from sums of what
    came new before.
    """
    lag = np.subtract.outer(np.arange(DAYS), np.arange(DAYS))
    every = []
    for variance, kept in zip(s.variances, s.kept, strict=True):
        still = np.where(lag >= 0, kept ** np.maximum(lag, 0), 0.0)
        every.append(still @ np.diag(variance) @ still.T)
    explained = o.drivers @ np.diag(o.prior_variance) @ o.drivers.T
    found = np.zeros((CHAMBERS, DAYS, CHAMBERS, DAYS))
    for a in range(CHAMBERS):
        for b in range(CHAMBERS):
            found[a, :, b] = explained + every[0]
        found[a, :, a] += every[1 + a] + every[1 + CHAMBERS + a]
    return found.reshape(CHAMBERS * DAYS, CHAMBERS * DAYS)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_likelihood_is_that_of_one_large_normal_distribution(seed: int) -> None:
    """Density by ``scipy.stats.multivariate_normal``."""
    o, s = a_season(seed)
    known = ~np.isnan(o.z.ravel())
    full = covariance(o, s) + np.diag(o.noise.ravel() + s.rest)
    density = stats.multivariate_normal(cov=full[np.ix_(known, known)])
    assert log_likelihood(o, s) == pytest.approx(density.logpdf(o.z.ravel()[known]), rel=1e-10)


def test_draws_have_the_mean_and_spread_of_the_conditional_distribution() -> None:
    """Conditional mean K Kₒ⁻¹ z and covariance K − K Kₒ⁻¹ K of a normal distribution [textbook]."""
    o, s = a_season(3)
    drawn = draw(o, s, 20_000, np.random.default_rng(5)).reshape(CHAMBERS * DAYS, -1)
    known = ~np.isnan(o.z.ravel())
    k = covariance(o, s)
    inverse = np.linalg.inv((k + np.diag(o.noise.ravel() + s.rest))[np.ix_(known, known)])
    mean = k[:, known] @ inverse @ o.z.ravel()[known]
    spread = np.sqrt(np.diag(k - k[:, known] @ inverse @ k[known]) + s.rest)
    missing = ~known
    error = (drawn.mean(axis=1) - mean) / (spread / np.sqrt(drawn.shape[1]))
    assert np.abs(error[missing]).max() < 4.0
    assert drawn.std(axis=1)[missing] == pytest.approx(spread[missing], rel=0.03)


def test_days_that_nothing_is_known_of_spread_as_the_model_does() -> None:
    o, s = a_season(4)
    nothing = Observed(np.full_like(o.z, np.nan), o.noise, o.drivers, o.prior_variance, o.pulses)
    drawn = draw(nothing, s, 20_000, np.random.default_rng(6))
    expected = np.sqrt(np.diag(covariance(o, s)) + s.rest).reshape(CHAMBERS, DAYS)
    assert drawn.std(axis=2) == pytest.approx(expected, rel=0.03)
    assert log_likelihood(nothing, s) == 0.0
