"""Autocorrelated noise, and the choice between line and curve."""

import numpy as np
import pytest
from scipy.signal import lfilter

from stream.science.models import MODELS
from stream.science.models.choice import Choice, choose, curvature_cap
from stream.science.models.fit import REASON_WORDS, Reason, Segments
from stream.science.models.noise import long_run_variance


def red(rng: np.random.Generator, m: int, n: int, rho: float) -> np.ndarray:
    """AR(1) of unit variance, m series of n."""
    shocks = rng.standard_normal((m, n + 200)) * np.sqrt(1 - rho**2)
    return lfilter([1.0], [1.0, -rho], shocks, axis=1)[:, 200:]


def many(t: np.ndarray, y: np.ndarray) -> Segments:
    """m closures at the same times."""
    m, n = y.shape
    return Segments(np.tile(t, m), y.ravel().copy(), np.ones(m * n), np.arange(m + 1) * n)


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.8, 0.9])
def test_long_run_variance_of_an_ar1(rho: float) -> None:
    """(1 + ρ)/(1 − ρ) times the variance: Priestley 1981 (from memory)."""
    rng = np.random.default_rng(4)
    series = red(rng, 400, 1200, rho)
    found = np.median([long_run_variance(s - s.mean(), 1) for s in series])
    assert found == pytest.approx((1 + rho) / (1 - rho), rel=0.06)


def test_long_run_variance_is_never_less_than_that_of_white_noise() -> None:
    """Alternating noise would make a slope surer than independence; that is not believed."""
    rng = np.random.default_rng(2)
    series = red(rng, 1, 500, -0.6)[0]
    white = np.sum(series**2) / 498
    assert long_run_variance(series, 2) == pytest.approx(white)
    assert long_run_variance(np.zeros(50), 2) == 0.0


@pytest.mark.parametrize("rho", [0.0, 0.6, 0.85])
def test_a_lines_interval_covers_under_red_noise(rho: float) -> None:
    """95 % intervals of the slope cover 93 to 97 %; without the allowance they would not."""
    rng = np.random.default_rng(11)
    t = np.arange(30.0, 630.0)
    segments = many(t, 330 + 0.05 * t + 0.3 * red(rng, 1500, 600, rho))
    fit = MODELS["linear"].fit(segments)
    covered = np.mean(np.abs(fit.slope - 0.05) < 1.96 * fit.slope_se)
    assert 0.93 <= covered <= 0.97
    if rho > 0.5:
        plain = MODELS["linear"].fit(segments, correlated=False)
        assert np.mean(np.abs(plain.slope - 0.05) < 1.96 * plain.slope_se) < 0.75


def chosen(y: np.ndarray, t: np.ndarray, **options: object) -> Choice:
    segments = many(t, np.atleast_2d(y))
    fits = {name: MODELS[name].fit(segments) for name in ("linear", "quadratic", "saturating")}
    m = len(segments)
    return choose(
        fits,
        np.full(m, t[-1] - t[0]),
        np.full(m, t[0]),
        known_variance=False,
        **options,  # type: ignore[arg-type]
    )


T = np.arange(30.0, 630.0)


def test_a_strong_curve_is_taken() -> None:
    rng = np.random.default_rng(1)
    curve = 330 + 1.0 * -np.expm1(-2e-3 * T) / 2e-3 + rng.normal(0, 0.3, len(T))
    choice = chosen(curve, T)
    assert choice.models[choice.chosen[0]] == "saturating"
    assert choice.reason[0] == Reason.CURVE_RESOLVED
    assert choice.slope[0] == pytest.approx(1.0, abs=3 * choice.slope_se[0])


def test_fluxes_near_zero_do_not_explode() -> None:
    """Pure noise: the chosen slopes scatter like the line's, not like the curve's."""
    rng = np.random.default_rng(3)
    y = 330 + 0.3 * red(rng, 1500, len(T), 0.7)
    choice = chosen(y, T)
    segments = many(T, y)
    line, curve = MODELS["linear"].fit(segments), MODELS["saturating"].fit(segments)
    assert np.std(choice.slope) < 1.3 * np.std(line.slope)
    assert np.std(curve.slope) > 3 * np.std(line.slope)
    assert np.max(np.abs(choice.slope)) < 8 * np.std(line.slope)


def test_straight_closures_are_seldom_bent() -> None:
    rng = np.random.default_rng(8)
    y = 330 + 0.2 * T + 0.3 * red(rng, 1500, len(T), 0.7)
    choice = chosen(y, T)
    assert np.mean(choice.reason == Reason.CURVE_RESOLVED) < 0.08
    assert np.mean(choice.reason == Reason.LINE_SUFFICES) > 0.85


def test_an_accelerating_closure_is_a_line_with_its_reason() -> None:
    rng = np.random.default_rng(5)
    y = 330 + 0.02 * T + 2e-4 * T**2 + rng.normal(0, 0.3, len(T))
    choice = chosen(y, T)
    assert choice.models[choice.chosen[0]] == "linear"
    assert choice.reason[0] == Reason.BENDS_THE_WRONG_WAY


def test_a_spike_after_closing_is_too_sharp_a_curve() -> None:
    """A puff of pressure at closing decays in seconds; no soil does that."""
    rng = np.random.default_rng(6)
    y = 330 - 8 * np.exp(-(T - 30) / 6) + rng.normal(0, 0.3, len(T))
    choice = chosen(y, T)
    assert choice.models[choice.chosen[0]] == "linear"
    assert choice.reason[0] == Reason.CURVE_TOO_SHARP


def test_the_cap() -> None:
    """kT ≤ (|s|/D)^(2/3) and k t₁ ≤ 1: our own derivation, worked by hand."""
    cap = curvature_cap(
        np.array([8.0, 8.0]),
        np.array([1.0, 1.0]),
        np.array([600.0, 600.0]),
        np.array([30.0, 300.0]),
    )
    assert cap == pytest.approx([4.0 / 600.0, 1.0 / 300.0])


def test_few_points_are_a_line() -> None:
    t = np.array([0.0, 300.0, 600.0, 900.0])
    choice = chosen(np.array([330.0, 340.2, 349.7, 360.1]), t)
    assert choice.models[choice.chosen[0]] == "linear"
    assert choice.reason[0] == Reason.FEW_POINTS


def test_the_station_file_may_set_the_model() -> None:
    rng = np.random.default_rng(7)
    y = 330 + 0.2 * T + rng.normal(0, 0.3, len(T))
    choice = chosen(y, T, rule="quadratic")
    assert choice.models[choice.chosen[0]] == "quadratic"
    assert choice.reason[0] == Reason.SET_BY_STATION_FILE


def test_no_points_are_no_fit() -> None:
    nothing = Segments(np.empty(0), np.empty(0), np.empty(0), np.zeros(3, dtype=np.int64))
    fits = {name: MODELS[name].fit(nothing) for name in MODELS}
    empty = np.full(2, np.nan)
    choice = choose(fits, empty, empty, known_variance=False)
    assert list(choice.chosen) == [-1, -1]
    assert list(choice.reason) == [Reason.NO_FIT] * 2
    assert np.isnan(choice.slope).all()


def test_without_noise_the_truth_is_found() -> None:
    """Noise-free closures: a line, a curve either way, nothing at all."""
    curve = -np.expm1(-1e-3 * T) / 1e-3
    y = np.vstack([330 + 0.1 * T, 330 + 0.1 * curve, 330 - 0.05 * curve, np.full(len(T), 330.0)])
    choice = chosen(y, T)
    names = [choice.models[j] for j in choice.chosen]
    assert names == ["linear", "saturating", "saturating", "linear"]
    assert choice.slope == pytest.approx([0.1, 0.1, -0.05, 0.0], abs=1e-9)
    words = [REASON_WORDS[Reason(r)] for r in choice.reason]
    assert words == ["line_suffices", "curve_resolved", "curve_resolved", "line_suffices"]
    assert np.isfinite(choice.noise_se).all()


def test_a_strong_closure_with_slow_residuals_keeps_its_curve() -> None:
    """What little is left is slow: it counts as few points, and the curve is plain all the same."""
    y = 330 + 2.0 * -np.expm1(-1.5e-3 * T) / 1.5e-3 + 0.05 * np.sin(T / 60)
    choice = chosen(y, T)
    assert choice.models[choice.chosen[0]] == "saturating"
    assert choice.slope[0] == pytest.approx(2.0, rel=0.01)


def test_every_reason_has_a_word() -> None:
    assert set(REASON_WORDS) == set(Reason)


@pytest.mark.parametrize("strength", [2.0, 10.0, 200.0])
def test_three_points_bend_only_where_their_noise_allows(strength: float) -> None:
    """The rule for three points: with known variances a curve where the line misses them by
    enough, and it is then the closed form of Hutchinson and Mosier 1981 (from memory); without
    them the line, whatever the points look like.
    """
    t = np.tile([0.0, 1200.0, 2400.0], 400)
    rise = -np.expm1(-3e-4 * np.array([0.0, 1200.0, 2400.0])) / 3e-4
    slope = strength * 1e-3
    rng = np.random.default_rng(round(strength))
    y = (330.0 + slope * rise + rng.standard_normal((400, 3))).ravel()
    starts = np.arange(401) * 3
    names = ("linear", "quadratic", "saturating")
    span, first = np.full(400, 2400.0), np.zeros(400)
    known = Segments(t, y, np.ones(1200), starts, True)
    fits = {name: MODELS[name].fit(known) for name in names}
    picked = choose(fits, span, first, known_variance=True)
    curved = picked.chosen == names.index("saturating")
    assert not (picked.chosen == names.index("quadratic")).any()
    points = y.reshape(400, 3)
    up, later = points[:, 1] - points[:, 0], points[:, 2] - points[:, 1]
    a, b = up[curved], later[curved]
    np.testing.assert_allclose(
        picked.slope[curved], a**2 / (1200.0 * (a - b)) * np.log(a / b), rtol=1e-6
    )
    assert {2.0: 0.0, 10.0: 0.0, 200.0: 0.97}[strength] <= curved.mean()
    assert curved.mean() <= {2.0: 0.05, 10.0: 0.4, 200.0: 1.0}[strength]
    cover = np.abs(picked.slope - slope) < 1.96 * picked.slope_se
    assert cover.mean() > 0.9
    unknown = Segments(t, y, np.ones(1200), starts, False)
    plain = choose(
        {name: MODELS[name].fit(unknown) for name in names}, span, first, known_variance=False
    )
    assert (plain.chosen == 0).all()
    assert (plain.reason == Reason.FEW_POINTS).all()
