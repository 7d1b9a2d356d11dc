"""Readings judged one by one, each case worked out by hand."""

import numpy as np

from stream.science.closures.readings import FAULT, NO_WATER, OUTSIDE, Scale, judge

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
