"""Intervals over replicates, verdicts and drivers, against scipy, hand work and tables."""

import numpy as np
import pytest
from scipy import stats

from stream.science.field.season import Amount
from stream.science.season.drivers import drivers_of, wetness
from stream.science.season.hidden import Misses, corrected, runs_of, stretches_to_hide
from stream.science.season.intervals import (
    degrees_of_freedom,
    difference_in_blocks,
    difference_of_two,
    of_draws,
    replicates_of,
    treatment_amount,
)
from stream.science.season.missing_days import UNLIKE, _highest, days_outside
from stream.science.season.verdict import Limits, Shares, covered_span, verdict_of, worst

KNOWN = np.array([2.1, 3.4, 1.7, 2.6])
OTHER = np.array([1.9, 2.2, 1.1, 2.4])


def certain(totals: np.ndarray) -> np.ndarray:
    """Draws of totals that are known."""
    return np.repeat(totals[:, None], 50, axis=1)


def test_a_difference_of_known_totals_is_tested_as_scipy_tests_it() -> None:
    paired = difference_in_blocks(certain(KNOWN), certain(OTHER))
    assert paired.p == pytest.approx(stats.ttest_rel(KNOWN, OTHER).pvalue)
    assert paired.way == "blocks"
    apart = difference_of_two(certain(KNOWN), certain(OTHER))
    assert apart.p == pytest.approx(stats.ttest_ind(KNOWN, OTHER, equal_var=False).pvalue)
    assert apart.way == "welch"
    assert apart.amount.value == pytest.approx(KNOWN.mean() - OTHER.mean())


def test_what_is_drawn_makes_a_difference_less_certain() -> None:
    rng = np.random.default_rng(3)
    drawn = certain(KNOWN) + 0.5 * rng.standard_normal((1, 50))
    sure = difference_in_blocks(certain(KNOWN), certain(OTHER))
    unsure = difference_in_blocks(drawn, certain(OTHER))
    assert unsure.p > sure.p
    assert unsure.amount.high - unsure.amount.low > sure.amount.high - sure.amount.low


def test_variances_of_replicates_and_of_draws_add_by_rubins_rules() -> None:
    """Within: mean over draws of s²/n; between: variance over draws [Rubin 1987, by hand]."""
    draws = np.array([[1.0, 3.0], [2.0, 6.0], [6.0, 6.0]])
    found = replicates_of(draws)
    assert found.mean == pytest.approx(4.0)
    # Draw one: 1, 2, 6 has s² = 7; draw two: 3, 6, 6 has s² = 3. Means 3 and 5.
    assert found.between == pytest.approx((7.0 / 3 + 3.0 / 3) / 2)
    assert found.within == pytest.approx(1.0)
    assert found.dof == 2


def test_degrees_of_freedom_are_those_of_satterthwaite() -> None:
    assert degrees_of_freedom(4.0, 4.0, 3.0) == pytest.approx(3.0)
    # (1 + 3)²/(1²/3 + 3²/20)
    assert degrees_of_freedom(4.0, 1.0, 3.0) == pytest.approx(16.0 / (1.0 / 3 + 9.0 / 20))


def test_a_treatment_of_positive_plots_has_a_positive_interval_that_holds_its_mean() -> None:
    skewed = certain(np.array([0.4, 0.6, 0.9, 3.9]))
    mine = replicates_of(skewed)
    found = treatment_amount(mine, [mine])
    assert 0.0 < found.low < found.value < found.high
    assert found.high - found.value > found.value - found.low


def test_a_treatment_near_zero_has_a_symmetrical_interval_of_students_t() -> None:
    totals = np.array([-0.4, 0.3, -0.1, 0.25])
    mine = replicates_of(certain(totals))
    found = treatment_amount(mine, [mine])
    half = stats.t.ppf(0.95, 3) * totals.std(ddof=1) / 2.0
    assert found.low == pytest.approx(totals.mean() - half)
    assert found.high == pytest.approx(totals.mean() + half)


def test_two_plots_that_happen_to_have_one_sign_are_not_taken_as_positive() -> None:
    mine = replicates_of(certain(np.array([0.2, 1.8])))
    found = treatment_amount(mine, [mine])
    assert found.low < 0.0
    half = stats.t.ppf(0.95, 1) * 0.8
    assert found.high - found.value == pytest.approx(half)


def test_the_usual_spread_makes_a_difference_less_certain_and_never_more() -> None:
    a, b = np.array([0.9, 0.7]), np.array([-0.5, 0.2])
    both = [replicates_of(certain(a)), replicates_of(certain(b))]
    found = difference_in_blocks(certain(a), certain(b), both)
    half = stats.t.ppf(0.95, 1) * np.std(a - b, ddof=1) / np.sqrt(2)
    assert found.amount.high - found.amount.value == pytest.approx(half)
    assert found.with_usual == found.amount
    close = [replicates_of(certain(KNOWN)), replicates_of(certain(KNOWN + 0.01))]
    a_bit_more = KNOWN + np.array([0.011, 0.01, 0.009, 0.01])
    alike = difference_in_blocks(certain(a_bit_more), certain(KNOWN), close)
    assert alike.with_usual.high > alike.amount.high


def test_one_replicate_tells_nothing_of_the_treatment() -> None:
    mine = replicates_of(certain(KNOWN[:1]))
    found = treatment_amount(mine, [mine])
    assert found.value == pytest.approx(KNOWN[0])
    assert np.isnan(found.low)
    assert np.isnan(found.high)
    assert np.isnan(difference_in_blocks(certain(KNOWN[:1]), certain(OTHER[:1])).p)


def test_quantiles_of_draws_lie_about_their_mean() -> None:
    """Of a normal distribution: ±1.645 standard deviations."""
    draws = np.random.default_rng(1).normal(10.0, 2.0, 200_000)
    found = of_draws(draws, widen=(1.0, 1.0))
    assert found.low == pytest.approx(10.0 - 1.6449 * 2.0, abs=0.03)
    assert found.high == pytest.approx(10.0 + 1.6449 * 2.0, abs=0.03)


def test_the_longer_arm_points_away_from_zero() -> None:
    draws = np.random.default_rng(1).normal(10.0, 2.0, 10_000)
    emission, uptake = of_draws(draws), of_draws(-draws)
    assert emission.high - emission.value > emission.value - emission.low
    assert (uptake.low, uptake.high) == pytest.approx((-emission.high, -emission.low))


NARROW, WIDE = Amount(1.0, 0.1, 0.8, 1.2), Amount(1.0, 0.3, 0.5, 1.6)


@pytest.mark.parametrize(
    ("days", "emission", "measured", "total", "expected"),
    [
        (0.60, 0.55, 72, NARROW, "season"),
        (0.60, 0.55, 72, WIDE, "mostly modelled"),
        (0.49, 0.80, 59, NARROW, "mostly modelled"),
        (0.80, 0.49, 96, NARROW, "mostly modelled"),
        (0.30, 0.26, 36, NARROW, "mostly modelled"),
        (0.24, 0.60, 29, NARROW, "no total"),
        (0.60, 0.24, 72, NARROW, "no total"),
        (0.16, 0.90, 19, NARROW, "no total"),
        # Nearly all was measured: the width is the analyzer's.
        (0.97, 0.98, 116, WIDE, "season"),
    ],
)
def test_verdicts(
    days: float, emission: float, measured: float, total: Amount, expected: str
) -> None:
    shares = Shares(days, emission, measured)
    assert verdict_of(shares, total, 120, Limits()) == expected


def test_a_season_with_fewer_than_twenty_measured_days_has_no_total() -> None:
    assert verdict_of(Shares(0.5, 0.5, 19.0), NARROW, 38, Limits()) == "no total"
    assert verdict_of(Shares(0.5, 0.5, 20.0), NARROW, 40, Limits()) == "season"
    # A period of ten days that was measured throughout is not too short for itself.
    assert verdict_of(Shares(1.0, 1.0, 10.0), NARROW, 10, Limits()) == "season"


def test_the_worst_of_several_verdicts_counts() -> None:
    assert worst(["season", "no total", "mostly modelled"]) == "no total"
    assert worst(["season", "mostly modelled"]) == "mostly modelled"


def test_the_covered_span_bridges_short_gaps_alone() -> None:
    coverage = np.zeros(40)
    coverage[2:5] = 1.0
    coverage[8:15] = 1.0  # three days after the first
    coverage[19:22] = 1.0  # four days after
    assert covered_span(coverage) == (2, 14)
    assert covered_span(np.zeros(10)) is None


def test_wetness_is_the_weighted_sum_of_days_before() -> None:
    rain = np.array([0.0, 8.0, 0.0, 2.0, 5.0])
    weights = np.exp(-np.arange(5) / 3.0)
    weights[0] = 0.5
    by_hand = [float(np.sum(rain[: d + 1][::-1] * weights[: d + 1])) for d in range(5)]
    assert wetness(rain, 3.0) == pytest.approx(by_hand)


def test_rain_before_the_season_counts_and_drivers_that_say_nothing_are_left_out() -> None:
    rain = np.array([20.0, 0.0, 0.0, 0.0])
    dry = drivers_of(np.zeros(4), np.full(4, np.nan), [], 3)
    assert dry.names == ("level",)
    wet = drivers_of(rain, np.array([5.0, 6.0, 7.0, 8.0]), [(1, 1.0)], 3)
    assert set(wet.names) >= {"water at the surface", "temperature", "fertilizer"}
    assert (np.diff(wet.wetness) < 0).all()
    fed = wet.table[:, wet.names.index("fertilizer")]
    assert fed == pytest.approx([0.0, 1.0, np.exp(-1 / 15)])


def test_hidden_stretches_are_as_long_as_what_is_missing_and_apart_from_it() -> None:
    rng = np.random.default_rng(2)
    measured = np.ones(100, dtype=bool)
    measured[20:24] = measured[60:64] = False
    found = stretches_to_hide(measured, rng.random(100), rng)
    assert found
    hidden = np.concatenate(found)
    assert len(set(hidden.tolist())) == len(hidden) <= 15
    for days in found:
        assert len(days) == 4
        assert measured[days[0] - 1 : days[-1] + 2].all()
    assert stretches_to_hide(np.ones(50, dtype=bool), np.zeros(50), rng) == []


def test_draws_of_missing_days_alone_are_widened_and_their_mean_follows_the_bias() -> None:
    rng = np.random.default_rng(4)
    drawn = rng.lognormal(0.0, 0.1, (2, 10, 4000))
    missing = np.zeros((2, 10), dtype=bool)
    missing[:, 3:7] = True
    far = Misses(np.full(200, np.log(1.5)), np.full(200, 0.01))
    found = corrected(drawn, missing, far, rng)
    assert np.array_equal(found[:, ~missing[0]], drawn[:, ~missing[0]])
    before, after = (a[:, 3:7].sum(axis=(0, 1)) for a in (drawn, found))
    assert after.mean() > 1.3 * before.mean()
    wide = Misses(np.tile([0.4, -0.4], 100), np.full(200, 0.01))
    found = corrected(drawn, missing, wide, rng)
    assert np.log(found[:, 3:7].sum(axis=(0, 1))).std() > 2.0 * np.log(before).std()


def test_on_a_day_whose_rain_nobody_knows_as_much_may_change_as_on_a_wet_one() -> None:
    rain = np.array([0.0, 30.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, np.nan, 0.0])
    change = drivers_of(rain, np.full(10, 9.0), [], 10).pulses[:, 0]
    assert change[8] > np.log1p(0.5 * np.nanmean(rain) / 5.0) + 0.1
    assert change[[0, 4, 5, 6, 7]] == pytest.approx(0.0)


def test_days_unlike_all_that_were_measured_may_give_more() -> None:
    drivers = np.array([[1.0, 0.0], [1.0, 1.0], [1.0, 0.5], [1.0, 5.0]])
    seen = np.array([True, True, False, False])
    assert days_outside(drivers, seen).tolist() == [False, False, False, True]
    z = np.array([[0.2, 1.0, np.nan, np.nan]])
    cap = _highest(z, np.zeros((1, 4)), drivers)
    assert cap[0, 3] == pytest.approx(cap[0, 2] + UNLIKE)


def test_runs() -> None:
    assert runs_of(np.array([True, False, True, True])) == [(0, 1), (2, 4)]
