"""Gathering samples of many windows, against numpy window by window."""

import numpy as np
import pytest

from stream.science.closures.readings import (
    FAULT,
    FLAT,
    NO_SAMPLES,
    NO_WATER,
    OUTSIDE,
    TOGGLES,
    Scale,
    ends,
    gather,
    judge,
    levels_of_ends,
    wrong_with,
)

S = 1_000_000


@pytest.fixture
def samples() -> dict[str, np.ndarray]:
    rng = np.random.default_rng(8)
    n = 5000
    inlet = np.cumsum(rng.integers(1, 4, n)) * S // 2
    raw = np.round(rng.normal(330, 2, n), 1)
    wrong = rng.choice([0, OUTSIDE, FAULT], n, p=[0.9, 0.05, 0.05]).astype(np.uint8)
    water = np.where(rng.random(n) < 0.1, np.nan, rng.uniform(0.01, 0.03, n))
    wrong[np.isnan(water)] |= NO_WATER
    return {
        "inlet_us": inlet,
        "raw": raw,
        "dry": np.where(wrong > 0, np.nan, raw / (1 - water)),
        "water": water,
        "wrong": wrong,
    }


def windows(inlet: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Of many lengths; some empty, some beyond the records, one turned about."""
    rng = np.random.default_rng(9)
    starts = rng.integers(-100 * S, inlet[-1] + 100 * S, 60)
    stops = starts + rng.integers(0, 900 * S, 60)
    stops[7] = starts[7] - S
    return starts, stops


def test_each_window_is_what_numpy_finds_in_it(samples: dict[str, np.ndarray]) -> None:
    starts, stops = windows(samples["inlet_us"])
    closed = starts - 30 * S
    got = gather(**samples, starts_us=starts, stops_us=stops, closed_us=closed, apart=3.0)
    full = 0
    for i in range(len(starts)):
        mine = (samples["inlet_us"] >= starts[i]) & (samples["inlet_us"] < stops[i])
        use = mine & ~np.isnan(samples["dry"])
        part = slice(got.offsets[i], got.offsets[i + 1])
        assert got.y[part].tolist() == samples["dry"][use].tolist()
        assert got.t[part].tolist() == ((samples["inlet_us"][use] - closed[i]) / S).tolist()
        if not mine.any():
            assert got.wrong[i] == NO_SAMPLES
            assert np.isnan([got.water[i], got.spacing_us[i]]).all()
            continue
        full += 1
        assert got.water[i] == pytest.approx(np.nanmean(samples["water"][mine]), rel=1e-13)
        if mine.sum() > 1:
            assert got.spacing_us[i] == np.median(np.diff(samples["inlet_us"][mine]))
        for bit in (OUTSIDE, FAULT):
            assert bool(got.wrong[i] & bit) == bool((samples["wrong"][mine] & bit).any())
        assert bool(got.wrong[i] & NO_WATER) == bool(np.isnan(samples["water"][mine]).all())
    assert full > 40


def test_a_window_alone_is_the_same_to_the_bit(samples: dict[str, np.ndarray]) -> None:
    starts, stops = windows(samples["inlet_us"])
    whole = gather(**samples, starts_us=starts, stops_us=stops, closed_us=starts, apart=3.0)
    for i in range(len(starts)):
        one = slice(i, i + 1)
        alone = gather(
            **samples, starts_us=starts[one], stops_us=stops[one], closed_us=starts[one], apart=3.0
        )
        part = slice(whole.offsets[i], whole.offsets[i + 1])
        assert alone.y.tobytes()[: 8 * alone.offsets[1]] == whole.y[part].tobytes()
        for name in ("spacing_us", "missing", "water", "wrong"):
            assert getattr(alone, name).tobytes() == getattr(whole, name)[one].tobytes()


def test_a_flat_line_is_told() -> None:
    nothing = np.zeros(40, np.uint8)
    assert wrong_with(np.full(40, 331.2), nothing, 3.0) == FLAT
    assert wrong_with(np.arange(40.0), nothing, 3.0) == 0


def test_a_reading_that_jumps_to_and_fro_is_told() -> None:
    nothing = np.zeros(40, np.uint8)
    rng = np.random.default_rng(16)
    jumping = np.where(np.arange(40) % 2 == 0, 331.2, 345.6)
    assert wrong_with(jumping, nothing, 3.0) == TOGGLES
    assert wrong_with(jumping, nothing, np.nan) == TOGGLES
    assert wrong_with(rng.permutation(jumping), nothing, 3.0) & TOGGLES
    # The last digit of a coarse channel moves by its noise, and may take few values.
    coarse = rng.integers(337, 340, 40).astype(float)
    assert wrong_with(coarse, nothing, 3.0) == 0
    assert wrong_with(coarse, nothing, np.nan) == 0
    # One step, as after a calibration, is no toggling.
    step = np.where(np.arange(40) < 20, 331.2, 345.6)
    assert not wrong_with(step, nothing, 3.0) & TOGGLES
    assert wrong_with(jumping[:9], nothing[:9], 3.0) == 0


def test_the_ends_of_windows(samples: dict[str, np.ndarray]) -> None:
    starts, stops = windows(samples["inlet_us"])
    inlet, dry = samples["inlet_us"], samples["dry"]
    t, y, there = ends(inlet, dry, starts, stops, starts, 10)
    for i in range(len(starts)):
        use = np.flatnonzero((inlet >= starts[i]) & (inlet < stops[i]) & ~np.isnan(dry))
        assert there[i] == (len(use) >= 30)
        if there[i]:
            rows = np.concatenate((use[:10], use[-10:]))
            assert y[i].tolist() == dry[rows].tolist()
            assert t[i].tolist() == ((inlet[rows] - starts[i]) / S).tolist()
    assert 20 < there.sum() < len(starts)


NAN = np.nan
GAS = Scale(1000.0, 0.0, 0.1, 5.0)
"""From [µmol mol⁻¹] to [nmol mol⁻¹]."""
WATER = Scale(1e-3, 0.0, 0.0, 1500.0)
"""From [mmol mol⁻¹] to [mol mol⁻¹]; a range wider than there is water."""


def test_a_wet_reading() -> None:
    """x / (1 − w): 2 µmol mol⁻¹ beside 20 mmol mol⁻¹ is 2040.816 nmol mol⁻¹ of dry air."""
    raw = np.array([2.0, 2.0, 2.0, 2.0, 0.05, 6.0, 2.0, 2.0])
    vapour = np.array([20.0, NAN, -1.0, 1000.0, 20.0, 20.0, 1600.0, 999.0])
    dry, water, wrong = judge(raw, GAS, vapour, WATER, None, np.empty(0), wet=True)
    np.testing.assert_allclose(
        dry, [2000 / 0.98, NAN, NAN, NAN, NAN, NAN, NAN, 2000 / 0.001], rtol=1e-12
    )
    np.testing.assert_allclose(water, [0.02, NAN, NAN, NAN, 0.02, 0.02, NAN, 0.999])
    assert wrong.tolist() == [0, NO_WATER, NO_WATER, NO_WATER, OUTSIDE, OUTSIDE, NO_WATER, 0]


def test_a_dry_reading_needs_no_water() -> None:
    raw = np.array([2.0, 2.0])
    for vapour in (None, np.array([NAN, 20.0])):
        dry, _, wrong = judge(raw, GAS, vapour, WATER, None, np.empty(0), wet=False)
        assert dry.tolist() == [2000.0, 2000.0]
        assert wrong.tolist() == [0, 0]


def test_a_status_that_is_not_known_is_no_fault() -> None:
    raw = np.full(4, 2.0)
    status, fine = np.array([0.0, 3.0, NAN, 1.0]), np.array([0.0, 1.0])
    dry, _, wrong = judge(raw, GAS, None, WATER, status, fine, wet=False)
    np.testing.assert_array_equal(dry, [2000.0, NAN, 2000.0, 2000.0])
    assert wrong.tolist() == [0, FAULT, 0, 0]


def test_an_endless_range_and_a_shift() -> None:
    """Kelvin from degrees, say: 20 is 293.15."""
    dry, _, wrong = judge(
        np.array([20.0, -1e9]), Scale(1.0, 273.15), None, WATER, None, np.empty(0), wet=False
    )
    np.testing.assert_allclose(dry, [293.15, -1e9 + 273.15])
    assert wrong.tolist() == [0, 0]


def test_levels_of_many_ends_are_medians() -> None:
    """Medians by numpy; the error is that of the difference of two means of as many."""
    y = np.random.default_rng(5).normal(400.0, 3.0, (7, 20))
    found = levels_of_ends(y, 10)
    ends = y.reshape(7, 2, 10)
    assert np.array_equal(found[:, :2], np.median(ends, axis=2))
    error = np.sqrt(ends.var(axis=2, ddof=1).sum(axis=1) / 10)
    assert found[:, 2] == pytest.approx(error, rel=1e-12)
    assert len(levels_of_ends(np.empty((0, 20)), 10)) == 0
