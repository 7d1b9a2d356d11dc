"""The diffusive curve and the robust line, against published values and general libraries."""

import numpy as np
import pytest
from scipy import special, stats
from scipy.optimize import curve_fit

from stream.science.models import MODELS, FitStatus, diffusive
from stream.science.models.choice import choose
from stream.science.models.fit import Reason, lay_end_to_end
from stream.science.models.profile import shape


def phi(t: np.ndarray, tau: float) -> np.ndarray:
    """Livingston, Hutchinson and Spartalian 2006 (from memory), by scipy's erfcx."""
    z = np.sqrt(t / tau)
    return tau * (2 / np.sqrt(np.pi) * z + special.erfcx(z) - 1)


def curve(t: np.ndarray, c: float, s: float, q: float) -> np.ndarray:
    return c + s * phi(t, t[-1] / q**2)


def basis(x: float, q: float) -> tuple[float, float]:
    """φ/T at x = t/T for q = √(T/τ), and its derivative by q, from the model's table."""
    value, slope = shape(diffusive.TABLE, q * np.sqrt(x))
    return x * value, x * np.sqrt(x) * slope


def test_values_of_the_curve() -> None:
    """C₀ 0.33, s₀ 1e-4 s⁻¹, τ 3600 s: derived from the equation of Livingston et al. 2006."""
    expected = {
        60.0: 0.3354636833,
        600.0: 0.3755742401,
        1800.0: 0.4455748120,
        3600.0: 0.5301465876,
    }
    for t, value in expected.items():
        value_of, _ = basis(1.0, np.sqrt(t / 3600.0))
        assert 0.33 + 1e-4 * t * value_of == pytest.approx(value, abs=5e-11)


@pytest.mark.parametrize("q", [1e-9, 1e-3, 0.05, 0.5, 0.699, 0.701, 3.0, 19.0])
@pytest.mark.parametrize("x", [0.02, 0.3, 1.0])
def test_basis_and_its_derivative(x: float, q: float) -> None:
    """Against scipy's erfcx, and against differences; where the curve is a line, its series."""
    value, slope = basis(x, q)
    if q >= 0.5:
        assert value == pytest.approx(float(phi(np.array(x), 1 / q**2)), rel=1e-12)
    else:
        z = q * np.sqrt(x)
        series = 1 - 4 / (3 * np.sqrt(np.pi)) * z + z**2 / 2 - 8 / (15 * np.sqrt(np.pi)) * z**3
        assert value == pytest.approx(x * series, rel=z**4 + 1e-12)
    step = 1e-5 * max(q, 0.1)
    if q > 2 * step:
        above, below = basis(x, q + step)[0], basis(x, q - step)[0]
        assert slope == pytest.approx((above - below) / (2 * step), rel=1e-5)
    at_zero = -4 / (3 * np.sqrt(np.pi)) * x**1.5
    assert basis(x, 0.0) == (pytest.approx(x, rel=1e-15), pytest.approx(at_zero))


def made(count: int, seed: int) -> tuple[list[np.ndarray], list[np.ndarray], list[float]]:
    rng = np.random.default_rng(seed)
    times, values, slopes = [], [], []
    for _ in range(count):
        n = int(rng.integers(8, 400))
        t = np.sort(rng.uniform(20, 900, n))
        tau = 900 * np.exp(rng.uniform(np.log(0.3), np.log(10)))
        s = float(rng.choice([-1, 1]) * np.exp(rng.normal(-0.5, 0.8)))
        times.append(t)
        slopes.append(s)
        values.append(330 + s * phi(t, tau) + rng.normal(0, 0.3, n))
    return times, values, slopes


def test_diffusive_against_tight_curve_fit() -> None:
    """scipy.optimize.curve_fit in the same parameters, tolerances of 1e-15, started beside our
    answer: nothing lies lower, and the standard errors are those of its covariance.
    """
    times, values, _ = made(60, 5)
    fit = MODELS["diffusive"].fit(lay_end_to_end(times, values), correlated=False)
    compared = 0
    for i in np.flatnonzero(fit.status == FitStatus.OK):
        t, y = times[i], values[i]
        q = float(np.sqrt(fit.curvature[i] * t[-1]))
        ours = np.array([fit.start[i], fit.slope[i], q])
        theirs, covariance = curve_fit(
            curve, t, y, p0=ours * (1, 1.03, 0.96), xtol=1e-15, ftol=1e-15, gtol=1e-15,
            x_scale=np.abs(ours), method="trf",
            bounds=([-np.inf, -np.inf, 1e-6], [np.inf, np.inf, diffusive.MAX_CURVE]),
        )  # fmt: skip
        rss = np.sum((y - curve(t, *theirs)) ** 2)
        assert fit.rss[i] <= rss * (1 + 1e-8)
        assert fit.slope[i] == pytest.approx(theirs[1], rel=1e-4)
        error = np.sqrt(np.diag(covariance))
        assert fit.slope_se[i] == pytest.approx(error[1], rel=2e-2)
        assert fit.curvature_se[i] == pytest.approx(2 * q * error[2] / t[-1], rel=2e-2)
        compared += 1
    assert compared > 35


def test_no_start_of_curve_fit_finds_less_for_the_diffusive_curve() -> None:
    times, values, _ = made(15, 6)
    fit = MODELS["diffusive"].fit(lay_end_to_end(times, values), correlated=False)
    for i, (t, y) in enumerate(zip(times, values, strict=True)):
        for q in (0.1, 0.5, 1.5, 5.0):
            start = (330.0, float(np.polyfit(t, y, 1)[0]), q)
            bounds = ([-np.inf, -np.inf, 1e-6], [np.inf, np.inf, diffusive.MAX_CURVE])
            try:
                found, _ = curve_fit(curve, t, y, p0=start, bounds=bounds)
            except RuntimeError:
                continue
            assert fit.rss[i] <= np.sum((y - curve(t, *found)) ** 2) * (1 + 1e-6)


def test_diffusive_without_noise_gives_the_truth() -> None:
    t = np.arange(30.0, 930.0, 3.0)
    for tau in (300.0, 3000.0, 30000.0):
        fit = MODELS["diffusive"].fit(lay_end_to_end([t], [330 + 0.5 * phi(t, tau)]))
        assert fit.slope[0] == pytest.approx(0.5, rel=1e-6)
        assert fit.curvature[0] == pytest.approx(1 / tau, rel=1e-4)


def test_a_line_is_no_diffusive_curve() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(30.0, 930.0, 3.0)
    for bend in (0.0, 1e-4):
        y = 330 + 0.2 * t + bend * t**2 + rng.normal(0, 1e-9, len(t))
        fit = MODELS["diffusive"].fit(lay_end_to_end([t], [y]))
        if bend:
            assert fit.status[0] == FitStatus.NO_CURVATURE
            line = MODELS["linear"].fit(lay_end_to_end([t], [y]))
            assert fit.slope[0] == pytest.approx(line.slope[0], rel=1e-9)
        else:
            assert fit.slope[0] == pytest.approx(0.2, rel=1e-6)
    assert (
        MODELS["diffusive"].fit(lay_end_to_end([t[:3]], [t[:3]])).status[0] == FitStatus.FEW_POINTS
    )


def test_sens_example() -> None:
    """Sen 1968, JASA 63:1379, the worked example (as scipy's own tests have it): slope 4, and
    of its 93 % interval the ends 26/7 and 35/8; at 95 % here as scipy.stats.theilslopes has it.
    """
    x = np.array([1.0, 2, 3, 4, 10, 12, 18])
    y = np.array([9.0, 15, 19, 20, 45, 55, 78])
    fit = MODELS["theil_sen"].fit(lay_end_to_end([x], [y]), correlated=False)
    assert fit.slope[0] == 4.0
    assert fit.start[0] == 6.0
    low, high = stats.theilslopes(y, x, 0.95)[2:]
    assert fit.slope_se[0] == pytest.approx((high - low) / (2 * stats.norm.ppf(0.975)))
    assert stats.theilslopes(y, x, 0.93)[2:] == (26 / 7, 35 / 8)


def test_theil_sen_against_scipy() -> None:
    """scipy.stats.theilslopes, ``joint`` intercept, wherever all pairs are used."""
    rng = np.random.default_rng(8)
    times = [np.sort(rng.uniform(20, 900, int(n))) for n in rng.integers(4, 60, 40)]
    values = [330 + 0.1 * t + rng.standard_t(2, len(t)) for t in times]
    fit = MODELS["theil_sen"].fit(lay_end_to_end(times, values), correlated=False)
    for i, (t, y) in enumerate(zip(times, values, strict=True)):
        slope, start, low, high = stats.theilslopes(y, t, 0.95, method="joint")
        assert fit.slope[i] == pytest.approx(slope, rel=1e-12)
        assert fit.start[i] == pytest.approx(start, rel=1e-12)
        assert fit.slope_se[i] == pytest.approx((high - low) / (2 * stats.norm.ppf(0.975)))


@pytest.mark.parametrize("n", [40, 300])
def test_spikes_do_not_move_the_robust_line(n: int) -> None:
    """One point in ten far off, as bubbles and valves make them: least squares is moved by
    many of its own errors, the median of slopes is not; and 95 % intervals cover.
    """
    rng = np.random.default_rng(12)
    t = np.linspace(30, 630, n)
    values = []
    for _ in range(800):
        y = 330 + 0.05 * t + rng.normal(0, 0.3, n)
        spikes = rng.choice(n, n // 10, replace=False)
        y[spikes] += rng.uniform(5, 40, len(spikes))
        values.append(y)
    segments = lay_end_to_end([t] * 800, values)
    robust = MODELS["theil_sen"].fit(segments, correlated=False)
    plain = MODELS["linear"].fit(segments, correlated=False)
    spread = np.std(plain.slope) / np.std(robust.slope)
    assert spread > 8
    assert abs(np.mean(robust.slope) - 0.05) < 0.03 * 0.05
    values = [330 + 0.05 * t + rng.normal(0, 0.3, n) for _ in range(800)]
    clean = lay_end_to_end([t] * 800, values)
    fit = MODELS["theil_sen"].fit(clean, correlated=False)
    covered = np.mean(np.abs(fit.slope - 0.05) < 1.96 * fit.slope_se)
    assert 0.92 <= covered <= 0.98
    line = MODELS["linear"].fit(clean, correlated=False)
    # Of all pairs nearly nothing is lost; medians of groups cost a third (2/π is theirs).
    efficiency = (np.std(line.slope) / np.std(fit.slope)) ** 2
    assert (0.85 if n < 60 else 0.55) < efficiency <= 1.02


def choice_of(y: np.ndarray, t: np.ndarray, names: list[str], rule: str = "auto"):
    segments = lay_end_to_end([t], [y])
    fits = {name: MODELS[name].fit(segments) for name in names}
    span, first = np.array([t[-1] - t[0]]), np.array([t[0]])
    return choose(fits, span, first, known_variance=False, rule=rule)


def test_candidates_take_part_in_the_choice() -> None:
    """A diffusive truth is taken for one; a straight one stays a least-squares line; the robust
    line is had by asking for it.
    """
    rng = np.random.default_rng(21)
    t = np.arange(30.0, 1830.0)
    every = ["linear", "quadratic", "saturating", "diffusive", "theil_sen"]
    bent = choice_of(330 + 1.0 * phi(t, 1200.0) + rng.normal(0, 0.2, len(t)), t, every)
    assert bent.models[bent.chosen[0]] == "diffusive"
    assert bent.reason[0] == Reason.CURVE_RESOLVED
    assert bent.slope[0] == pytest.approx(1.0, abs=3 * bent.slope_se[0])
    straight = 330 + 0.02 * t + rng.normal(0, 0.2, len(t))
    line = choice_of(straight, t, every)
    assert line.models[line.chosen[0]] == "linear"
    asked = choice_of(straight, t, every, rule="theil_sen")
    assert asked.models[asked.chosen[0]] == "theil_sen"
    assert asked.reason[0] == Reason.SET_BY_STATION_FILE
    alone = choice_of(straight, t, ["theil_sen", "saturating"])
    assert alone.models[alone.chosen[0]] == "theil_sen"
    assert alone.reason[0] in {Reason.LINE_SUFFICES, Reason.BENDS_THE_WRONG_WAY}


def test_equivalent_rate_of_a_diffusive_curve() -> None:
    """The saturating curve of that k has fallen off as far by the end: definition."""
    t = np.arange(30.0, 930.0, 3.0)
    end = np.array([t[-1]])
    for tau in (200.0, 2000.0, 2e5):
        fit = MODELS["diffusive"].fit(lay_end_to_end([t], [330 + 0.5 * phi(t, tau)]))
        k = diffusive.MODEL.rate(fit, end)[0]
        fallen = -np.expm1(-k * t[-1]) / (k * t[-1])
        assert fallen == pytest.approx(float(phi(t[-1:], tau)[0]) / t[-1], rel=1e-5)


@pytest.mark.parametrize("model", ["saturating", "diffusive"])
def test_no_curve_of_a_dense_scan_leaves_less(model: str) -> None:
    """Gentle curves and ones that are over in a twentieth of the closure, quiet and noisy, 200
    points each: 600 curves by numpy, each with its least squares, and none is better than the
    fit. Averages of points mislead about the sharp ones; then all points are looked at.
    Sharper ones still are beyond what the choice lets pass, and noise may hide the best.
    """
    rng = np.random.default_rng(12)
    m, n = 600, 200
    t = np.linspace(1.0, 200.0, n)
    rate = 10 ** rng.uniform(-3, -1, m)
    drawn = -np.expm1(-rate[:, None] * t) / rate[:, None]
    if model == "diffusive":
        drawn = np.array([phi(t, 1 / k) for k in rate])
    noise = 10 ** rng.uniform(-3, 0, (m, 1))
    y = 330 + rng.normal(0, 1, (m, 1)) * drawn + noise * rng.normal(0, 1, (m, n))
    fit = MODELS[model].fit(lay_end_to_end([t] * m, list(y)))
    if model == "saturating":
        tried = np.geomspace(1e-4, 1.0, 600)
        shapes = -np.expm1(-tried[:, None] * t) / tried[:, None]
    else:
        tried = np.geomspace(1e-4, 19.9, 600)
        shapes = np.array([phi(t, t[-1] / q**2) for q in tried])
    shapes -= shapes.mean(axis=1, keepdims=True)
    shapes /= np.sqrt((shapes**2).sum(axis=1, keepdims=True))
    centred = y - y.mean(axis=1, keepdims=True)
    left = (centred**2).sum(axis=1) - ((centred @ shapes.T) ** 2).max(axis=1)
    assert (fit.rss <= left * (1 + 1e-8)).all()
    assert (fit.status == FitStatus.OK).sum() > 400


def test_sharp_curves_on_quiet_points_are_found() -> None:
    """Over within the first few of 200 points, which averages of points smear: not worse than
    the curve that the points were made from, by numpy's least squares, and its rate.
    """
    rng = np.random.default_rng(3)
    m, n = 300, 200
    t = np.linspace(1.0, 200.0, n)
    rate = 10 ** rng.uniform(-1.5, 0, m)
    drawn = -np.expm1(-rate[:, None] * t) / rate[:, None]
    y = 330 + drawn + 1e-4 * rng.normal(0, 1, (m, n))
    fit = MODELS["saturating"].fit(lay_end_to_end([t] * m, list(y)))
    for i in range(m):
        basis_of = np.column_stack([np.ones(n), drawn[i]])
        (left,) = np.linalg.lstsq(basis_of, y[i], rcond=None)[1]
        assert fit.rss[i] <= left * (1 + 1e-9)
    np.testing.assert_allclose(fit.curvature, rate, rtol=0.01)
