"""Dilution in vials, and times written down the wrong way round."""

import numpy as np
import pytest

from stream.science.closures.order import swapped_times
from stream.science.flux.vials import dilution_factor, filled_kpa

RNG = np.random.default_rng(8)


def one(value: float) -> np.ndarray:
    return np.array([value])


def test_dilution_by_the_gas_law() -> None:
    """Amounts are p V/(R T): 12 mL of inert gas at 101.325 kPa and 24 mL of air at the same
    pressure make 36 parts, of which 24 are air; an evacuated vial dilutes nothing. By hand.
    """
    sizes = one(24.0), one(12.0)
    assert dilution_factor(*sizes, one(101.325), one(101.325))[0] == pytest.approx(1.5)
    assert dilution_factor(*sizes, one(0.0), one(101.325))[0] == 1.0
    assert filled_kpa(*sizes, one(0.0), one(101.325))[0] == pytest.approx(2 * 101.325)
    assert filled_kpa(*sizes, one(101.325), one(101.325))[0] == pytest.approx(3 * 101.325)
    for wrong in ((0.0, 12.0, 0.0, 100.0), (24.0, 12.0, -1.0, 100.0), (24.0, 12.0, 0.0, 0.0)):
        with pytest.raises(ValueError, match=r"must be positive|cannot be negative"):
            dilution_factor(*(one(v) for v in wrong))


def curves(n: int, rates: tuple[float, ...], noise: float) -> tuple[np.ndarray, np.ndarray]:
    t = np.linspace(0.0, 3600.0, n)
    rise = -np.expm1(-2e-4 * t) / 2e-4
    return t, np.array([330 + r * rise + noise * RNG.standard_normal(n) for r in rates])


@pytest.mark.parametrize("n", [4, 5, 6])
@pytest.mark.parametrize("rates", [(0.1,), (0.1, -0.02), (0.1, 0.0)])
def test_every_swap_is_found(n: int, rates: tuple[float, ...]) -> None:
    """Any two of the samples, rising and falling gases and one that does not move. First and
    last swapped may also be a falling gas with its inner two swapped: found, whichever.
    """
    t, values = curves(n, rates, 0.5)
    for i in range(n):
        for j in range(i + 1, n):
            order = np.arange(n)
            order[[i, j]] = j, i
            found = swapped_times(t, values[:, order], np.full(len(rates), 0.5))
            assert found is not None
            assert found == (i, j) or (i, j) == (0, n - 1)


def test_what_is_not_a_swap_is_not_called_one() -> None:
    """Clean closures, noise alone, one wild value, three samples, and a broken order that
    only some gases show: in a thousand of each never.
    """
    noise = np.array([0.5, 0.5])
    for _ in range(1000):
        t, values = curves(5, (0.1, 0.05), 0.5)
        assert swapped_times(t, values, noise) is None
        assert swapped_times(t, 330 + 0.5 * RNG.standard_normal((2, 5)), noise) is None
        wild = values.copy()
        wild[:, 2] += 150.0
        assert swapped_times(t, wild, noise) is None
        one_gas = values.copy()
        one_gas[0, [1, 3]] = one_gas[0, [3, 1]]
        assert swapped_times(t, one_gas, noise) is None
        assert swapped_times(t[:3], values[:, [0, 2, 1]], noise) is None


def test_a_missing_gas_has_no_say() -> None:
    t, values = curves(5, (0.1, 0.05), 0.5)
    values = values[:, [0, 1, 3, 2, 4]]
    values[1, 2] = np.nan
    assert swapped_times(t, values, np.array([0.5, np.nan])) == (2, 3)
