"""Values at given places of an order, without sorting everything."""

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import inline

Floats = NDArray[np.float64]

_FEW = 256
"""Fewer are sorted at once."""
_SAMPLE = 128
_SLACK = 0.1
"""Share of the sample by which the stretch that is looked at reaches beyond the places asked
for: some 2.3 standard deviations of a quantile of the sample."""


@inline
def insertion_sort(x: Floats) -> None:
    """Sort in place; quick where few stand far from their place."""
    for i in range(1, x.shape[0]):
        value = x[i]
        j = i - 1
        while j >= 0 and x[j] > value:
            x[j + 1] = x[j]
            j -= 1
        x[j + 1] = value


@inline
def median_of(x: Floats, room: Floats) -> float:
    """Median of some values; ``room`` has at least as many places."""
    n = x.shape[0]
    if n > 32:
        return float(np.median(x))
    mine = room[:n]
    mine[:] = x
    insertion_sort(mine)
    return float(0.5 * (mine[(n - 1) // 2] + mine[n // 2]))


@inline
def _spread_out(x: Floats, low: float, high: float, out: Floats, room: Floats) -> None:
    """Sort values between two bounds into ``out``: by as many equal classes as values, and
    then in them.
    """
    n = x.shape[0]
    scale = (n - 1) / (high - low)
    ends = np.zeros(n + 1, dtype=np.int64)
    for i in range(n):
        room[i] = (x[i] - low) * scale
        ends[int(room[i]) + 1] += 1
    for i in range(n):
        ends[i + 1] += ends[i]
    for i in range(n):
        j = int(room[i])
        out[ends[j]] = x[i]
        ends[j] += 1
    insertion_sort(out)


@inline
def sorted_between(x: Floats, first: int, last: int) -> tuple[Floats, int]:
    """Part of the sorted values that holds the places ``first`` to ``last``.

    Parameters
    ----------
    x : ndarray, shape (n,)
        In any order, none NaN; at least one.
    first, last : int
        Places counted from 0, 0 ≤ first ≤ last < n.

    Returns
    -------
    tuple of (ndarray, int)
        Sorted values, and the place of the first of them: place p holds
        ``values[p - begun]``. The same values as sorting everything gives.

    Notes
    -----
    Two values of a sorted sample enclose the places asked for, most likely; what lies
    between them is picked out and sorted by classes. Where they do not enclose them,
    everything is sorted.
    """
    n = x.shape[0]
    if n >= _FEW:
        stride = n // _SAMPLE
        sample = np.sort(x[::stride])
        m = sample.shape[0]
        low = sample[max(0, int(m * (first / n - _SLACK)))]
        high = sample[min(m - 1, int(m * (last / n + _SLACK)))]
        kept = np.empty(n)
        below = 0
        count = 0
        for i in range(n):
            value = x[i]
            kept[count] = value
            below += value < low
            count += (value >= low) & (value <= high)
        if below <= first and last < below + count and high - low > 0.0:
            values = np.empty(count)
            _spread_out(kept[:count], low, high, values, np.empty(count))
            return values, below
    return np.sort(x), 0
