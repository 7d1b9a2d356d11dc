"""Places of an order against numpy's sort."""

import numpy as np
import pytest

from stream.science.models.order_statistics import median_of, sorted_between

SHAPES = {
    "normal": lambda rng, n: rng.normal(size=n),
    "heavy tails": lambda rng, n: rng.standard_cauchy(n),
    "steps of a coarse sensor": lambda rng, n: np.round(rng.normal(size=n), 1),
    "two heaps": lambda rng, n: np.where(rng.random(n) < 0.5, -1e9, 1e9) + rng.normal(size=n),
    "one value": lambda rng, n: np.full(n, 3.5),
    "rising": lambda rng, n: np.arange(n, dtype=float),
}


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("n", [1, 2, 17, 255, 256, 300, 1770, 5000])
def test_the_values_are_those_of_a_whole_sort(name: str, n: int) -> None:
    """numpy.sort is the judge: to the bit, at the middle and at any other place."""
    rng = np.random.default_rng(n)
    for _ in range(20):
        x = SHAPES[name](rng, n)
        first, last = sorted(rng.integers(0, n, 2))
        for a, b in ((first, last), ((n - 1) // 2, n // 2), (0, n - 1)):
            values, begun = sorted_between(x, int(a), int(b))
            assert (values[a - begun : b - begun + 1] == np.sort(x)[a : b + 1]).all()


def test_a_sample_that_misleads_changes_nothing() -> None:
    """Every fourteenth value is taken as the sample; here those are nothing like the rest."""
    x = np.linspace(0.0, 1.0, 1792)
    x[::14] = 1e6 + np.arange(128)
    values, begun = sorted_between(x, 896, 897)
    assert begun == 0
    assert values[896] == np.sort(x)[896]


def test_a_sample_that_is_too_narrow_at_every_place() -> None:
    """The sample lies in the middle of the rest, so that the stretch that is looked at ends
    now before, now at, now after the place that is asked for.
    """
    x = np.linspace(0.0, 1.0, 1792)
    x[::14] = np.linspace(0.4, 0.6, 128)
    ordered = np.sort(x)
    partly = 0
    for place in range(len(x)):
        values, begun = sorted_between(x, place, place)
        assert values[place - begun] == ordered[place]
        partly += len(values) < len(x)
    assert 100 < partly < 1700


@pytest.mark.parametrize("n", [1, 2, 3, 10, 11, 32, 33, 100])
def test_medians(n: int) -> None:
    """numpy.median is the judge."""
    x = np.random.default_rng(n).normal(size=n)
    before = x.copy()
    assert median_of(x, np.empty(32)) == np.median(before)
    assert (x == before).all()
