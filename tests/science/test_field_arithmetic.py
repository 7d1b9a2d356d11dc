"""Days, area weights, season totals and factors: worked by hand, and by other ways."""

from itertools import pairwise

import numpy as np
import pytest

from stream.science.field.daily import daily_means, diel_course, pieces_of
from stream.science.field.filling import (
    State,
    artificial_gaps,
    between_neighbours,
    by_looking_up,
    gaps_in,
)
from stream.science.field.season import (
    DEFAULT_FACTOR,
    GWP100,
    Amount,
    co2_equivalent,
    emission_factor,
    yield_scaled,
)
from stream.science.field.weights import by_area, over_plots, usual_ratios
from stream.science.planning.sampling_days import CalendarRules, days_due


def one(value: float) -> np.ndarray:
    return np.array([value])


def test_area_weighting_by_hand() -> None:
    """Ridge 0.20 at 120 ± 30, furrow 0.65 at 15 ± 4, tramline 0.15 at 45 ± 12: 40.5 ±
    6.782330 (derived).
    """
    flux = {"ridge": one(120.0), "furrow": one(15.0), "tramline": one(45.0)}
    se = {"ridge": one(30.0), "furrow": one(4.0), "tramline": one(12.0)}
    shares = {"ridge": one(0.20), "furrow": one(0.65), "tramline": one(0.15)}
    got = by_area(flux, se, shares)
    assert got.flux[0] == pytest.approx(40.5)
    assert got.se[0] == pytest.approx(6.782330, abs=1e-6)
    assert got.measured[0] == pytest.approx(1.0)
    assert not got.estimated[0]


def test_a_missing_position_is_estimated_by_its_usual_ratio_or_left() -> None:
    """The ridge is eight times the furrow on most days: on the day without it 8 · 10."""
    furrow = np.array([10.0, 20.0, 15.0, 12.0, 9.0, 10.0])
    ridge = np.append(8.0 * furrow[:5], np.nan)
    shares = {"ridge": np.full(6, 0.2), "furrow": np.full(6, 0.8)}
    flux = {"ridge": ridge, "furrow": furrow}
    se = {"ridge": np.full(6, 4.0), "furrow": np.full(6, 1.0)}
    got = by_area(flux, se, shares, ratios=usual_ratios(flux))
    assert got.flux[5] == pytest.approx(0.2 * 80.0 + 0.8 * 10.0)
    assert got.se[5] == pytest.approx(np.hypot(0.2 * 40.0, 0.8))
    assert got.estimated.tolist() == [False] * 5 + [True]
    assert got.measured[5] == pytest.approx(0.8)
    assert np.isnan(by_area(flux, se, shares).flux[5])
    most = {"ridge": np.full(6, 0.6), "furrow": np.full(6, 0.4)}
    less = by_area(flux, se, most, ratios=usual_ratios(flux))
    assert np.isnan(less.flux[5]), "less than half of the area was measured"


def test_fractions_may_change_by_day() -> None:
    shares = {"a": np.array([1.0, 0.5, 0.0]), "b": np.array([0.0, 0.5, 1.0])}
    flux = {"a": np.array([4.0, 4.0, np.nan]), "b": np.array([np.nan, 8.0, 8.0])}
    se = {k: np.ones(3) for k in flux}
    assert by_area(flux, se, shares).flux.tolist() == [4.0, 6.0, 8.0]


def test_replicates_by_numpy() -> None:
    plots = [np.array([1.0, 2.0]), np.array([3.0, np.nan]), np.array([8.0, np.nan])]
    mean, se, n = over_plots(plots)
    assert mean.tolist() == [4.0, 2.0]
    assert se[0] == pytest.approx(np.std([1, 3, 8], ddof=1) / np.sqrt(3))
    assert np.isnan(se[1])
    assert n.tolist() == [3, 1]


def test_cumulative_emission_by_hand() -> None:
    """t 0, 0.25, 0.5, 1, 2 d; 10, 40, 100, 60, 20 ug N m-2 h-1: 2490 ug N m-2, or 0.0249
    kg N ha-1 (trapezoid as in Dorich et al. 2020, from memory; derived).
    """
    t = np.array([0.0, 0.25, 0.5, 1.0, 2.0]) * 24.0
    flux = np.array([10.0, 40.0, 100.0, 60.0, 20.0])
    pieces = pieces_of(t, 100.0)
    value = pieces.share * flux[pieces.left] + (1.0 - pieces.share) * flux[pieces.left + 1]
    total = float(np.sum(pieces.weight * value))
    assert total == pytest.approx(2490.0)
    assert total * 1e-9 * 1e4 == pytest.approx(0.0249)


def test_factors_by_hand() -> None:
    """2.35 ± 0.3 and 0.55 ± 0.1 kg N ha-1 on 120 kg: 1.500 %, ± √0.1/1.2; as CO2 2.35 · 44/28
    · 273 = 1008.150 kg ha-1 (IPCC convention, AR6); 2.35 on 9.4 t of grain 0.25 kg t-1.
    """
    treated, reference = Amount(2.35, 0.3, 2.0, 2.8), Amount(0.55, 0.1)
    factor = emission_factor(treated, reference, 120.0)
    assert factor.value == pytest.approx(1.5)
    assert factor.se == pytest.approx(100 * np.hypot(0.3, 0.1) / 120)
    warm = co2_equivalent(treated, "N2O", "AR6")
    assert warm.value == pytest.approx(1008.150, abs=5e-4)
    assert warm.low == pytest.approx(2.0 * 44 / 28 * 273)
    methane = co2_equivalent(Amount(-1.0, 0.2, -1.3, -0.6), "CH4", "AR4")
    assert methane.value == pytest.approx(-16 / 12 * 25)
    assert methane.low < methane.value < methane.high
    assert yield_scaled(treated, 9.4).value == pytest.approx(0.25)
    with pytest.raises(ValueError, match="needs nitrogen"):
        emission_factor(treated, reference, 0.0)
    with pytest.raises(ValueError, match="must be positive"):
        yield_scaled(treated, 0.0)


def test_published_tables() -> None:
    """GWP100 by assessment, IPCC; and table 11.1 of the 2019 Refinement, volume 4 [%]."""
    assert {k: v["N2O"] for k, v in GWP100.items()} == {"AR4": 298, "AR5": 265, "AR6": 273}
    assert {k: v["CH4"] for k, v in GWP100.items()} == {"AR4": 25, "AR5": 28, "AR6": 27.0}
    assert DEFAULT_FACTOR["aggregated"] == (1.0, 0.2, 1.8)
    assert DEFAULT_FACTOR["synthetic fertilizer, wet climate"] == (1.6, 1.3, 1.9)
    assert DEFAULT_FACTOR["dry climate"] == (0.5, 0.0, 1.1)


def means(t: np.ndarray, flux: np.ndarray, days: int, **more: object) -> object:
    return daily_means(t, flux, np.full(len(t), 0.1), np.full(len(t), 0.05), days, **more)  # type: ignore[arg-type]


def test_days_are_the_integral_of_straight_lines() -> None:
    """Against the trapezoid rule on a fine grid, at irregular times."""
    rng = np.random.default_rng(2)
    t = np.sort(rng.uniform(-6.0, 78.0, 40))
    flux = rng.normal(5.0, 2.0, 40)
    got = means(t, flux, 3, max_gap_h=100.0)
    for d in range(3):
        grid = np.linspace(24.0 * d, 24.0 * (d + 1), 200_001)
        fine = np.interp(grid, t, flux)
        assert got.flux[d] == pytest.approx(np.trapezoid(fine, grid) / 24.0, rel=1e-6)  # type: ignore[attr-defined]
        assert got.coverage[d] == pytest.approx(1.0)  # type: ignore[attr-defined]


def test_the_error_of_a_day_by_hand() -> None:
    """Eight fluxes at even times: own errors 0.1/√8, the common one 0.05 as it is."""
    t = np.arange(1.5, 24.0 * 3, 3.0)
    got = means(t, np.ones(len(t)), 3)
    assert got.se[1] == pytest.approx(np.hypot(0.1 / np.sqrt(8), 0.05), rel=1e-2)  # type: ignore[attr-defined]
    assert got.fluxes.tolist() == [8, 8, 8]  # type: ignore[attr-defined]


def test_too_little_covered_and_the_diel_course() -> None:
    """Fluxes 10 + 6 cos, morning hours only on the last day: their mean over the course's
    gives the day back; with no course, or too little of a day, nothing stands.
    """
    t = np.arange(0.5, 24.0 * 11, 1.0)
    flux = 10.0 + 6.0 * np.cos(2 * np.pi * (t - 15.0) / 24.0)
    course = diel_course(t, flux)
    assert course is not None
    assert np.mean(course) == pytest.approx(1.0)
    assert course[15] == pytest.approx(1.6, rel=0.02)
    keep = (t < 24.0 * 10) | (t > 24.0 * 10 + 6.0)
    keep &= t < 24.0 * 10 + 15.0
    cut_t, cut = t[keep], flux[keep]
    # The stretch over midnight is too long to be joined.
    without = means(cut_t, cut, 11, max_gap_h=3.0)
    assert np.isnan(without.flux[10])  # type: ignore[attr-defined]
    with_it = means(cut_t, cut, 11, max_gap_h=3.0, course=course)
    assert with_it.flux[10] == pytest.approx(10.0, rel=0.03)  # type: ignore[attr-defined]
    assert with_it.corrected.tolist() == [False] * 10 + [True]  # type: ignore[attr-defined]
    assert with_it.se[10] > 0.1  # type: ignore[attr-defined]
    little = means(t[: 24 * 10 + 4], flux[: 24 * 10 + 4], 11, course=course)
    assert np.isnan(little.flux[10])  # type: ignore[attr-defined]


def test_no_course_where_ratios_mean_nothing() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(0.5, 24.0 * 20, 3.0)
    assert diel_course(t, rng.standard_normal(len(t))) is None
    assert diel_course(t[:20], np.ones(20)) is None


def test_gaps_and_the_line_between_neighbours() -> None:
    """numpy.interp; the ends keep the nearest value."""
    nan = np.nan
    series = np.array([nan, 2.0, nan, nan, 8.0, nan])
    assert between_neighbours(series).tolist() == [2.0, 2.0, 4.0, 6.0, 8.0, 8.0]
    assert gaps_in(series) == [(0, 1), (2, 4), (5, 6)]
    assert np.isnan(between_neighbours(np.full(3, nan))).all()
    rng = np.random.default_rng(1)
    full = np.ones(400)
    hidden = artificial_gaps(full, [2] * 15 + [30], 0.3, rng)
    total = sum(b - a for a, b in hidden)
    assert 60 <= total <= 120
    assert {b - a for a, b in hidden} == {2, 30}
    assert all(b < c for (_, b), (c, _) in pairwise(hidden))


def test_looking_up_takes_what_was_alike() -> None:
    """Ten at noon and two at night: a noon that is missing is ten, near in time or not."""
    hours = np.tile(np.arange(8) * 3.0, 12)
    series = np.where(np.abs(hours - 12.0) <= 3.0, 10.0, 2.0)
    noon = 8 * 6 + 4
    series[noon] = np.nan
    nothing = np.full(len(series), np.nan)
    state = State(hours, np.full(len(series), 20.0), nothing, nothing)
    assert by_looking_up(series, state, 8.0)[noon] == 10.0
    warm = State(hours, np.where(np.arange(len(series)) == noon, 35.0, 20.0), nothing, nothing)
    between = by_looking_up(series, warm, 8.0)[noon]
    assert between == pytest.approx(10.0), "none is as warm: the line between neighbours"


def test_days_on_which_sampling_is_due() -> None:
    """The rules of the calendar (common practice, no source): weekly; once after 10 mm; after
    20 mm daily for three days, then every second day for a further week.
    """
    rules = CalendarRules()
    quiet = days_due(0, 21, {}, [], rules)
    assert list(quiet) == [0, 7, 14, 21]
    once = days_due(0, 13, {2: 12.0}, [], rules)
    assert list(once) == [0, 3, 10]
    assert once[3] == "12 mm"
    big = days_due(0, 16, {2: 25.0}, [], rules)
    assert list(big) == [0, 3, 4, 5, 7, 9, 11, 16][: len(big)] or list(big)[:7] == [
        0,
        3,
        4,
        5,
        7,
        9,
        11,
    ]
    fed = days_due(0, 12, {}, [1], rules)
    assert list(fed) == [0, 1, 2, 3, 5, 7, 9]
    sandy = days_due(0, 6, {2: 6.0}, [], CalendarRules(once_mm=5.0))
    assert list(sandy) == [0, 3]
