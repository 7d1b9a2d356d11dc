"""Whether outdoor gases that go with water vapour prove anything: a week is a few air masses."""

import numpy as np

from stream.report.summary.findings.starts import slope_by_days

DAYS, A_DAY = 7, 30


def week(seed: int) -> tuple[np.ndarray, np.ndarray, np.random.Generator]:
    """(day, water vapour [mol mol⁻¹]) of closures, most of it from day to day."""
    rng = np.random.default_rng(seed)
    day = np.repeat(np.arange(DAYS), A_DAY)
    water = 0.012 + 0.003 * rng.standard_normal(DAYS)[day]
    return day, water + 3e-4 * rng.standard_normal(len(day)), rng


def test_chance_company_of_air_masses_is_no_proof() -> None:
    """Gases differ from day to day as water does, by chance; least squares alone is sure."""
    sure = proven = 0
    for seed in range(200):
        day, water, rng = week(seed)
        gas = 0.003 * rng.standard_normal(DAYS)[day] + 2e-4 * rng.standard_normal(len(day))
        found = slope_by_days(water, gas, day)
        assert found is not None
        slope, error, by_days = found
        sure += abs(slope) > 8 * error
        proven += abs(slope) > 8 * error and abs(slope) > 3.0 * by_days
    assert sure > 30
    assert proven < 0.25 * sure


def test_moist_air_proves_itself_by_each_day() -> None:
    for seed in range(20):
        day, water, rng = week(seed)
        gas = -water + 2e-4 * rng.standard_normal(DAYS)[day] + 2e-4 * rng.standard_normal(len(day))
        found = slope_by_days(water, gas, day)
        assert found is not None
        slope, error, by_days = found
        assert abs(slope + 1.0) < 0.5
        assert abs(slope) > 8 * error
        assert abs(slope) > 3.0 * by_days
