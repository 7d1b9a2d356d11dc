"""Two ways of measuring: against published figures and general libraries."""

import numpy as np
import pytest
from scipy import optimize

from stream.science.field.agreement import agreement, value_at

FIRST = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
SECOND = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])
"""Extra hours of sleep under two drugs, Student 1908 (data from memory)."""
ONES = np.ones(10)


def test_the_paired_t_of_student() -> None:
    """t = 4.062128 and p = 0.00283289 for these data (derived, from memory of the data);
    mean difference 1.58, standard deviation 1.229995, interval by t(0.975, 9) = 2.262157.
    """
    a = agreement(FIRST, SECOND, ONES, ONES)
    assert a.p_paired_t == pytest.approx(0.00283289, rel=1e-5)
    assert a.difference == pytest.approx(1.58)
    half = 2.262157 * 1.229995 / np.sqrt(10)
    assert (a.low, a.high) == pytest.approx((1.58 - half, 1.58 + half), rel=1e-5)
    assert a.limits == pytest.approx((1.58 - 1.96 * 1.229995, 1.58 + 1.96 * 1.229995), rel=1e-5)
    assert a.ratio == pytest.approx(2.33 / 0.75)
    # Nine differences that are not zero, all positive: 2 / 2⁹.
    assert a.p_signed_rank == pytest.approx(2 / 2**9)


@pytest.mark.parametrize("ratio", [0.25, 1.0, 4.0])
def test_the_line_with_errors_in_both(ratio: float) -> None:
    """Against the least sum of weighted distances, found numerically."""
    rng = np.random.default_rng(3)
    true = rng.uniform(0.0, 10.0, 30)
    x = true + 0.5 * rng.standard_normal(30)
    y = 1.0 + 1.3 * true + 0.5 * np.sqrt(ratio) * rng.standard_normal(30)
    a = agreement(x, y, np.full(30, 0.5), np.full(30, 0.5 * np.sqrt(ratio)))

    def distance(line: np.ndarray) -> float:
        return float(np.sum((y - line[0] - line[1] * x) ** 2 / (ratio + line[1] ** 2)))

    best = optimize.minimize(distance, [0.0, 1.0], method="Nelder-Mead", tol=1e-12)
    assert (a.intercept, a.slope) == pytest.approx(tuple(best.x), rel=1e-5)


def test_the_interval_covers() -> None:
    """Common practice, no source: 95 in 100 of simulated comparisons without a difference."""
    rng = np.random.default_rng(4)
    inside = 0
    for _ in range(600):
        x, y = rng.standard_normal((2, 12))
        a = agreement(x, y, np.ones(12), np.ones(12))
        inside += a.low <= 0.0 <= a.high
    assert 0.93 < inside / 600 < 0.97


def test_pairs_without_a_difference_and_too_few() -> None:
    same = agreement(FIRST, FIRST, ONES, ONES)
    assert (same.difference, same.p_paired_t, same.p_signed_rank, same.slope) == (0, 1, 1, 1)
    with pytest.raises(ValueError, match="2 pairs are too few"):
        agreement(FIRST[:2], SECOND[:2], ONES[:2], ONES[:2])


def test_a_series_at_a_moment() -> None:
    times, values, errors = np.array([0.0, 3.0, 10.0]), np.array([1.0, 4.0, 9.0]), np.full(3, 0.6)
    assert value_at(1.0, times, values, errors, 3.0) == pytest.approx((2.0, 0.6 * np.sqrt(5) / 3))
    assert value_at(4.0, times, values, errors, 3.0) == (4.0, 0.6)
    assert value_at(9.0, times, values, errors, 3.0) == (9.0, 0.6)
    assert value_at(11.0, times, values, errors, 3.0) == (9.0, 0.6)
    assert value_at(6.5, times, values, errors, 3.0) is None
    assert value_at(3.0, times, values, errors, 0.5) == (4.0, 0.6)
