"""What a slow sensor says of many closures: its mean over each, and its jump at each."""

import math

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import inline, kernel

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]


@kernel
def _means(
    times: Micros,
    values: Floats,
    firsts: Micros,
    starts: Micros,
    stops: Micros,
    hold_us: int,
    means: Floats,
    held: NDArray[np.bool_],
) -> None:
    for i in range(starts.shape[0]):
        first = firsts[i]
        total = 0.0
        count = 0
        j = first
        while j < times.shape[0] and times[j] < stops[i]:
            if values[j] == values[j]:
                total += values[j]
                count += 1
            j += 1
        means[i] = total / count if count else math.nan
        held[i] = False
        j = first - 1
        while count == 0 and j >= 0 and starts[i] - times[j] <= hold_us:
            if values[j] == values[j]:
                means[i] = values[j]
                held[i] = True
                break
            j -= 1


def means_over(
    times: Micros, values: Floats, starts: Micros, stops: Micros, hold_us: int
) -> tuple[Floats, NDArray[np.bool_]]:
    """Means of a slow sensor over m windows.

    Parameters
    ----------
    times, values : ndarray, shape (n,)
        Increasing times [µs] and values, NaN where there is none.
    starts, stops : ndarray of int64, shape (m,)
        Windows, the stop not included [µs].
    hold_us : int
        How long a value holds [µs].

    Returns
    -------
    tuple of ndarray, shape (m,)
        The mean, and whether it is only the last value before the window (within the
        hold); NaN and False where there is neither.
    """
    means, held = np.empty(len(starts)), np.empty(len(starts), dtype=np.bool_)
    firsts = np.searchsorted(times, starts)
    _means(times, values, firsts, starts, stops, hold_us, means, held)
    return means, held


@inline
def _known(values: Floats) -> Floats:
    """Without the NaN."""
    found = np.empty(values.shape[0])
    count = 0
    for i in range(values.shape[0]):
        if values[i] == values[i]:
            found[count] = values[i]
            count += 1
    return found[:count]


@kernel
def _steps(
    values: Floats,
    around: NDArray[np.int64],
    steps: Floats,
    errors: Floats,
) -> None:
    for i in range(around.shape[0]):
        a = _known(values[around[i, 0] : around[i, 1]])
        b = _known(values[around[i, 1] : around[i, 2]])
        if a.shape[0] < 3 or b.shape[0] < 3:
            steps[i] = math.nan
            errors[i] = math.nan
            continue
        rough = 0.0
        for j in range(1, a.shape[0]):
            rough += (a[j] - a[j - 1]) ** 2
        for j in range(1, b.shape[0]):
            rough += (b[j] - b[j - 1]) ** 2
        # Neighbours differ by √2 times the noise; a median's variance is π/2 times a mean's.
        variance = rough / (a.shape[0] + b.shape[0] - 2) / 2.0
        errors[i] = math.sqrt(variance * math.pi / 2.0 * (1.0 / a.shape[0] + 1.0 / b.shape[0]))
        steps[i] = np.median(b) - np.median(a)


def steps_at(
    times: Micros, values: Floats, edges: Micros, before_us: int, after_us: int
) -> tuple[Floats, Floats]:
    """How much a sensor jumps at m moments.

    Parameters
    ----------
    times, values : ndarray, shape (n,)
        Increasing times [µs] and values, NaN where there is none.
    edges : ndarray of int64, shape (m,)
        The moments [µs].
    before_us, after_us : int
        How long before and after it is looked [µs].

    Returns
    -------
    tuple of ndarray, shape (m,)
        Median after less median before, and its standard error from the differences of
        neighbours; NaN with fewer than three values on a side.
    """
    steps, errors = np.empty(len(edges)), np.empty(len(edges))
    around = np.searchsorted(times, np.column_stack([edges - before_us, edges, edges + after_us]))
    _steps(values, around, steps, errors)
    return steps, errors
