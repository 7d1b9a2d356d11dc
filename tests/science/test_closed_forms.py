"""The models against closed forms of the literature."""

import numpy as np
import pytest

from stream.science.models import MODELS, FitStatus, saturating
from stream.science.models.fit import Segments, lay_end_to_end
from stream.science.models.profile import shape


def known(t: np.ndarray, y: np.ndarray) -> Segments:
    """Points whose variance is known, so that three suffice for three parameters."""
    return lay_end_to_end([t], [y], [np.ones_like(t)], known_variance=True)


def hutchinson_mosier(c: np.ndarray, t1: float) -> float:
    """Initial slope from three equally spaced points [HutchinsonMosier1981], from memory.

    Valid only where (C1 − C0)/(C2 − C1) > 1.
    """
    rise, later = c[1] - c[0], c[2] - c[1]
    return rise**2 / (t1 * (2 * c[1] - c[2] - c[0])) * np.log(rise / later)


C = np.array([0.330, 0.5036517921432491, 0.6322962038170024])
"""C0 = 0.330, limit 1.0, k = 0.02 min⁻¹, each 15 min: slope 0.0134 exactly. Derived."""


def test_three_points_give_the_closed_form() -> None:
    fit = MODELS["saturating"].fit(known(np.array([0.0, 15.0, 30.0]), C))
    assert fit.slope[0] == pytest.approx(0.0134, rel=1e-12)
    assert fit.slope[0] == pytest.approx(hutchinson_mosier(C, 15.0), rel=1e-10)
    assert fit.curvature[0] == pytest.approx(0.02, rel=1e-9)
    assert fit.start[0] == pytest.approx(0.330, rel=1e-12)


def test_three_points_by_line_and_parabola() -> None:
    """Least-squares slope 0.010076540 and (4 C1 − C2 − 3 C0)/(2 t1) = 0.013077032, derived."""
    points = known(np.array([0.0, 15.0, 30.0]), C)
    assert MODELS["linear"].fit(points).slope[0] == pytest.approx(0.010076540, rel=1e-7)
    parabola = (4 * C[1] - C[2] - 3 * C[0]) / 30.0
    assert parabola == pytest.approx(0.013077032, rel=1e-7)
    assert MODELS["quadratic"].fit(points).slope[0] == pytest.approx(parabola, rel=1e-12)


@pytest.mark.parametrize(
    ("values", "why"),
    [
        ([330.0, 340.0, 350.0], "a line: the ratio is one"),
        ([330.0, 338.0, 350.0], "accelerating: the ratio is below one"),
    ],
)
def test_where_the_closed_form_is_undefined_no_curve_is_reported(
    values: list[float], why: str
) -> None:
    """Outside its condition the estimator has no value; ours says so and gives the line."""
    fit = MODELS["saturating"].fit(known(np.array([0.0, 15.0, 30.0]), np.array(values)))
    assert fit.status[0] == FitStatus.NO_CURVATURE, why
    assert fit.slope[0] == pytest.approx((values[2] - values[0]) / 30.0, rel=1e-9)


def test_a_reversal_between_points_is_at_the_bound() -> None:
    """Differences of opposite sign: no exponential goes through the points."""
    points = known(np.array([1.0, 15.0, 30.0]), np.array([330.0, 350.0, 345.0]))
    fit = MODELS["saturating"].fit(points)
    assert fit.status[0] == FitStatus.CURVE_AT_BOUND


@pytest.mark.parametrize(
    ("kt", "slope", "two_points"),
    [
        (0.1, 0.951467, 0.951626),
        (0.5, 0.783679, 0.786939),
        (1.0, 0.621830, 0.632121),
        (2.0, 0.406006, 0.432332),
    ],
)
def test_line_on_an_exponential_is_low_by_the_table(
    kt: float, slope: float, two_points: float
) -> None:
    """Slope of a line over the true initial slope; continuous least squares, derived."""
    t = np.linspace(0.0, 1.0, 20_001)
    y = -np.expm1(-kt * t) / kt
    dense = MODELS["linear"].fit(lay_end_to_end([t], [y]), correlated=False)
    assert dense.slope[0] == pytest.approx(slope, rel=2e-4)
    ends = MODELS["linear"].fit(known(t[[0, -1]], y[[0, -1]]))
    assert ends.slope[0] == pytest.approx(two_points, rel=2e-6)
    curve = MODELS["saturating"].fit(lay_end_to_end([t], [y]), correlated=False)
    assert curve.slope[0] == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize("rate", [0.0, 1e-9, 1e-7, 1e-5])
def test_well_conditioned_as_curvature_goes_to_zero(rate: float) -> None:
    """Slope and its standard error go over smoothly into those of three parameters at k = 0."""
    rng = np.random.default_rng(5)
    t = np.linspace(30, 600, 300)
    noise = rng.normal(0, 0.1, 300)
    rise = 0.3 * t if rate == 0 else 0.3 * -np.expm1(-rate * t) / rate
    fit = MODELS["saturating"].fit(lay_end_to_end([t], [330 + rise + noise]), correlated=False)
    assert np.isfinite(fit.slope[0])
    assert fit.slope[0] == pytest.approx(0.3, abs=6 * fit.slope_se[0])
    if fit.status[0] == FitStatus.NO_CURVATURE:
        line = MODELS["linear"].fit(lay_end_to_end([t], [330 + rise + noise]), correlated=False)
        parabola = MODELS["quadratic"].fit(lay_end_to_end([t], [330 + rise + noise]))
        assert fit.slope[0] == pytest.approx(line.slope[0], rel=1e-9)
        free = MODELS["quadratic"].fit(lay_end_to_end([t], [330 + rise + noise]), correlated=False)
        expected = free.slope_se[0] * np.sqrt(fit.variance[0] / free.variance[0])
        assert fit.slope_se[0] == pytest.approx(expected, rel=1e-6)
        assert parabola.points[0] == 300


@pytest.mark.parametrize("model", ["linear", "quadratic", "saturating"])
def test_too_few_points_is_a_result_with_a_reason(model: str) -> None:
    t = np.array([0.0, 1.0])
    fit = MODELS[model].fit(lay_end_to_end([t, t[:0]], [t, t[:0]]))
    assert list(fit.status) == [FitStatus.FEW_POINTS] * 2
    same = MODELS[model].fit(lay_end_to_end([np.ones(5)], [np.arange(5.0)]))
    assert same.status[0] == FitStatus.SAME_TIME
    assert np.isnan(same.slope[0])


@pytest.mark.parametrize("n", [3, 4, 5, 10, 60, 600])
def test_slope_error_of_even_spacing(n: int) -> None:
    """SE = σ/T √(12 (n − 1)/(n (n + 1))), exact for least squares; derived."""
    from stream.science.flux.flux import line_slope_se

    table = {3: 1.414214, 4: 1.341641, 5: 1.264911, 10: 0.990867, 60: 0.439821, 600: 0.141186}
    assert line_slope_se(1.0, 1.0, n) == pytest.approx(table[n], rel=1e-5)
    t = np.linspace(0.0, 1.0, n)
    fit = MODELS["linear"].fit(known(t, t))
    assert fit.slope_se[0] == pytest.approx(table[n], rel=1e-5)


def test_table_of_the_saturating_curve() -> None:
    """(1 − e^−u)/u by numpy.expm1, inside the table and beyond its end."""
    rng = np.random.default_rng(4)
    u = np.concatenate((rng.uniform(0, 60, 2000), 10 ** rng.uniform(-9, 1, 2000), [38.0, 500.0]))
    found = np.array([shape(saturating.TABLE, float(v)) for v in u])
    exact = -np.expm1(-u) / u
    np.testing.assert_allclose(found[:, 0], exact, rtol=1e-14)
    away = u > 0.1
    np.testing.assert_allclose(found[away, 1], ((np.exp(-u) - exact) / u)[away], rtol=1e-8)


@pytest.mark.parametrize("model", ["saturating", "diffusive"])
def test_curves_begin_at_the_closing(model: str) -> None:
    """A point before the lid closed is on no such curve: the fit says so, and invents nothing."""
    fit = MODELS[model].fit(known(np.array([-5.0, 10.0, 20.0, 30.0]), np.arange(4.0)))
    assert fit.status[0] == FitStatus.SAME_TIME
    assert np.isnan(fit.slope[0])
