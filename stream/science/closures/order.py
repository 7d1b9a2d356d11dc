"""Sample times that were written down in the wrong order."""

from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEAST_POINTS: Final = 4
"""Any three values can be put in order by one swap, which proves nothing."""
_CLEAR: Final = 10.0
"""Range of a gas over its noise from which its order counts."""
_BETTER: Final = 25.0
"""How much less a parabola must leave after the swap than before."""


def swapped_times(t: Floats, values: Floats, noise: Floats) -> tuple[int, int] | None:
    """Find two samples of a closure whose times were swapped.

    Gas gathers in one direction. Where the order of values is broken by more than noise,
    and one swap of two samples mends it for every gas that moves at all, their times (or
    vials) were likely written down the wrong way round.

    Parameters
    ----------
    t : ndarray, shape (n,)
        Sample times, increasing [s].
    values : ndarray, shape (gases, n)
        Mole fractions; NaN where there is none.
    noise : ndarray, shape (gases,)
        Standard deviation of one value; where it is not known (NaN) a hundredth of the
        gas's range stands for it.

    Returns
    -------
    tuple of int or None
        Places of the two samples, None where there is no such pair. Common practice, no
        source; the limits are ours.
    """
    n = len(t)
    moving: list[tuple[Floats, float]] = []
    for y, sd in zip(values, noise, strict=True):
        if np.isnan(y).any():
            continue
        span = float(np.ptp(y))
        sd = 0.01 * span if np.isnan(sd) else float(sd)
        if span > _CLEAR * sd:
            moving.append((y, sd))
    if n < LEAST_POINTS or not moving or all(_in_order(y, sd) for y, sd in moving):
        return None
    before = [_left(t, y, sd) for y, sd in moving]
    # First and last the wrong way round look like a swap inside a gas that goes the other
    # way: the one inside is the likelier.
    found: list[tuple[bool, float, tuple[int, int]]] = []
    for i, j in combinations(range(n), 2):
        order = np.arange(n)
        order[[i, j]] = j, i
        if not all(_in_order(y[order], sd) for y, sd in moving):
            continue
        after = [_left(t, y[order], sd) for y, sd in moving]
        if sum(after) * _BETTER <= sum(before):
            found.append(((i, j) == (0, n - 1), sum(after), (i, j)))
    return min(found)[2] if found else None


def _in_order(y: Floats, sd: float) -> bool:
    """Whether values go one way, but for noise."""
    steps = np.diff(y) * np.sign(y[-1] - y[0])
    return bool((steps > -3.0 * np.sqrt(2.0) * sd).all())


def _left(t: Floats, y: Floats, sd: float) -> float:
    """What a parabola leaves, in units of the noise and no less than that."""
    x = (t - t.mean()) / np.ptp(t)
    design = np.vander(x, 3)
    rest = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    return float(np.sum(rest**2)) / sd**2 + len(t)
