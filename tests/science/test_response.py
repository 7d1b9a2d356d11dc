"""Lag, mixing and settling from edges, with noise and wild events; truth by construction."""

import numpy as np
import pytest
from scipy.signal import lfilter

from stream.science.planning.response import (
    crossing_lag,
    middle_and_spread,
    settled_from,
    stack,
    step_response,
)


def edges(n: int, noise: float, wild: float, seed: int = 2) -> tuple[list, list]:
    """Steps after a delay of 7 s through a cell of 5 s; a share of them is nonsense."""
    rng = np.random.default_rng(seed)
    times, values = [], []
    for i in range(n):
        t = np.arange(-20.0, 90.0) + rng.uniform(0.0, 1.0)
        v = np.where(t < 7.0, 1.0, np.exp(-(t - 7.0) / 5.0)) + noise * rng.standard_normal(len(t))
        if i < wild * n:
            v = rng.uniform(-3.0, 3.0) + rng.standard_normal(len(t))
        times.append(t)
        values.append(v)
    return times, values


@pytest.mark.parametrize(("noise", "wild"), [(0.0, 0.0), (0.1, 0.0), (0.05, 0.25)])
def test_delay_and_mixing_come_back(noise: float, wild: float) -> None:
    found = stack(*edges(120, noise, wild), np.arange(-20.0, 91.0))
    answer = step_response(found.t, found.median)
    assert answer is not None
    delay, mixing = answer
    assert delay + mixing == pytest.approx(12.0, abs=0.6)
    assert mixing == pytest.approx(5.0, abs=0.8)


def test_the_lag_of_a_ramp_is_delay_and_mixing_together() -> None:
    """A first-order cell behind a delay, by scipy's recursive filter: after a while its ramp
    is late by their sum (standard result of control theory).
    """
    step = 0.1
    t = np.arange(-60.0, 300.0, step)
    ramp = np.where(t > 0, 0.5 * t, 0.0)
    delayed = np.interp(t - 6.0, t, ramp)
    keep = np.exp(-step / 4.0)
    seen = lfilter([1 - keep], [1, -keep], delayed)
    slope, start = np.polyfit(t[t > 60], seen[t > 60], 1)
    lag = crossing_lag(np.array([start]), np.array([slope]), np.zeros(1), np.zeros(1))
    assert lag[0] == pytest.approx(10.0, abs=0.1)


def test_curves_are_followed_back_exactly() -> None:
    """C = 330 + s (1 − e^(−k (t − 9)))/k crosses 330 at 9 s, whatever k."""
    k = np.array([0.0, 1e-6, 1e-3, 5e-3])
    slope0 = 0.4 * np.exp(9.0 * k)
    rise = np.where(k > 0, -np.expm1(9.0 * k) / np.where(k > 0, k, 1.0), -9.0)
    start = 330.0 + 0.4 * rise
    np.testing.assert_allclose(crossing_lag(start, slope0, k, np.full(4, 330.0)), 9.0, rtol=1e-6)
    never = crossing_lag(np.array([330.0]), np.array([0.1]), np.array([0.01]), np.array([400.0]))
    assert np.isnan(never[0])


def test_the_stack_is_the_median_with_its_error() -> None:
    """Against numpy; the error against the scatter of many stacks (π/2 σ²/n, textbook)."""
    rng = np.random.default_rng(1)
    t = [np.array([0.5, 1.5, 1.7])] * 40
    medians, told = [], []
    for _ in range(300):
        values = list(rng.standard_normal((40, 3)))
        found = stack(t, values, np.array([0.0, 1.0, 2.0]))
        medians.append(found.median)
        told.append(found.se)
    assert found.median[0] == np.median([v[0] for v in values])
    assert found.median[1] == np.median([np.median(v[1:]) for v in values])
    ratio = np.std(medians, axis=0) / np.mean(told, axis=0)
    np.testing.assert_allclose(ratio, 1.0, atol=0.12)
    few = stack(t[:4], values[:4], np.array([0.0, 1.0]))
    assert np.isnan(few.median[0])


def test_settling_is_the_last_time_outside() -> None:
    rng = np.random.default_rng(6)
    t = np.arange(0.5, 180.0)
    times = [t] * 100
    values = [0.2 * np.exp(-t / 10.0) + 0.02 * rng.standard_normal(len(t)) for _ in times]
    found = stack(times, values, np.arange(0.0, 181.0, 2.0))
    # 0.2 e^(−t/10) = 0.005 at 36.9 s; three standard errors (0.0075) are larger, at 32.8 s.
    assert settled_from(found, 0.005) == pytest.approx(34.0, abs=4.0)
    moving = stack(times, [0.001 * t for _ in times], np.arange(0.0, 181.0, 2.0))
    assert settled_from(moving, 0.005) is None
    still = stack(times, [0.0 * t for _ in times], np.arange(0.0, 181.0, 2.0))
    assert settled_from(still, 0.005) == 0.0


def test_no_step_gives_no_answer() -> None:
    t = np.arange(-20.0, 90.0)
    assert step_response(t, np.full(len(t), 1.0)) is None
    assert step_response(t, np.full(len(t), np.nan)) is None
    assert np.isnan(middle_and_spread(np.array([np.nan]))[0])
    assert middle_and_spread(np.array([1.0, 2.0, 9.0]))[0] == 2.0
