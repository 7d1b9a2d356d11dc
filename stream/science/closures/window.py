"""The window of a closure: which samples are fitted, what is missing, and what slow sensors say."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import inline, kernel

Micros = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Window:
    """Stretch of a closure whose samples are fitted, in time at the inlet [µs]."""

    start_us: int
    stop_us: int

    @property
    def span_s(self) -> float:
        """Length [s]."""
        return max(0.0, (self.stop_us - self.start_us) / 1e6)


def window_of(
    closed_us: int, opened_us: int, dead_band_us: int, max_us: int, lag_us: int
) -> Window:
    """From the end of the dead band to the opening, or to the longest time allowed.

    It ends a lag early: part of the lag is mixing in the cell, which brings the air
    after opening forward in time. No record later than the opening is used.
    """
    return Window(closed_us + dead_band_us, min(opened_us, closed_us + max_us) - lag_us)


def windows_of(
    closures: Iterable[tuple[int, int]], dead_band_us: int, max_us: int, lag_us: int
) -> list[Window]:
    """:func:`window_of` each (closed, opened) [µs]."""
    return [window_of(closed, opened, dead_band_us, max_us, lag_us) for closed, opened in closures]


def select(inlet_us: Micros, window: Window) -> slice:
    """Samples in a window, the start included and the stop not.

    Parameters
    ----------
    inlet_us : ndarray of int64, shape (n,)
        Increasing times at the inlet: record time less the analyzer's lag [µs].
    """
    first, last = np.searchsorted(inlet_us, (window.start_us, window.stop_us), side="left")
    return slice(int(first), int(max(first, last)))


@inline
def spacings(inlet_us: Micros) -> Micros:
    """Time from each sample to the next [µs]; compiled in a tenth of the time of numpy's."""
    apart = np.empty(inlet_us.shape[0] - 1, np.int64)
    for i in range(apart.shape[0]):
        apart[i] = inlet_us[i + 1] - inlet_us[i]
    return apart


@inline
def missing_share(inlet_us: Micros, start_us: int, stop_us: int) -> float:
    """Share of a window that is without samples at their usual spacing.

    Parameters
    ----------
    inlet_us : ndarray of int64, shape (n,)
        Times of the samples in the window [µs].
    start_us, stop_us : int
        The window [µs].

    Returns
    -------
    float
        Sum of all pauses longer than 1.5 times the median spacing, less one spacing
        each, over the length of the window; 1 without samples.
    """
    n = inlet_us.shape[0]
    span = stop_us - start_us
    if span <= 0 or n == 0:
        return 1.0
    if n == 1:
        return 0.0
    least = inlet_us[1] - inlet_us[0]
    most = least
    for i in range(2, n):
        spacing = inlet_us[i] - inlet_us[i - 1]
        least = min(least, spacing)
        most = max(most, spacing)
    edges = max(inlet_us[0] - start_us, stop_us - inlet_us[-1])
    if most <= 1.5 * least and edges <= least:
        return 0.0  # no pause can be a long one, whatever the median is
    usual = float(np.median(spacings(inlet_us)))
    missing = 0.0
    for i in range(n + 1):
        # The window's ends count as samples half a spacing outside it.
        before = inlet_us[i - 1] if i > 0 else start_us - 0.5 * usual
        after = inlet_us[i] if i < n else stop_us + 0.5 * usual
        if after - before > 1.5 * usual:
            missing += after - before - usual
    return float(missing / span)


@inline
def usual_spacing(inlet_us: Micros) -> float:
    """Median time between samples [µs], NaN for fewer than two.

    Parameters
    ----------
    inlet_us : ndarray of int64, shape (n,)
        Times of the samples [µs].

    Returns
    -------
    float
    """
    n = inlet_us.shape[0]
    if n < 2:
        return math.nan
    first = inlet_us[1] - inlet_us[0]
    for i in range(2, n):
        if inlet_us[i] - inlet_us[i - 1] != first:
            return float(np.median(spacings(inlet_us)))
    return float(first)


@inline
def _takes_three(values: NDArray[np.float64]) -> bool:
    """Whether readings take three values or fewer."""
    second, third = math.nan, math.nan
    for value in values[1:]:
        if value in (values[0], second, third):
            continue
        if second != second:
            second = value
        elif third != third:
            third = value
        else:
            return False
    return True


@inline
def is_flat(values: NDArray[np.float64]) -> bool:
    """Whether a reading does not move, not even by its own noise.

    More than half of the samples repeat the one before to the last digit, and all of
    them take three values or fewer; at least ten samples are needed to say so.
    """
    n = values.shape[0]
    if n < 10:
        return False
    repeats = 0
    for i in range(1, n):
        if values[i] == values[i - 1]:
            repeats += 1
    return 2 * repeats > n and _takes_three(values)


@inline
def is_toggling(values: NDArray[np.float64], least: float) -> bool:
    """Whether a reading jumps between two or three values.

    They lie further apart than ``least``, which is more than noise makes (a fiftieth of the
    first reading where that is NaN), and at least one reading in four differs from the one
    before; at least ten readings are needed.
    """
    n = values.shape[0]
    if n < 10:
        return False
    if least != least:
        least = 0.02 * abs(values[0])
    jumps = 0
    for i in range(1, n):
        if values[i] != values[i - 1]:
            jumps += 1
            if abs(values[i] - values[i - 1]) <= least:
                return False
    return 4 * jumps >= n and _takes_three(values)


def last_before(
    times: Micros, values: NDArray[np.float64], at: Micros, hold_us: int
) -> NDArray[np.float64]:
    """The latest value at or before each moment, NaN where it is older than the hold.

    Parameters
    ----------
    times, values : ndarray, shape (n,)
        Increasing times [µs] and values without NaN.
    at : ndarray of int64, shape (m,)
        Moments [µs].
    hold_us : int
        How long a value holds [µs].

    Returns
    -------
    ndarray, shape (m,)
        Only what is known at the moment counts, so that the result does not depend
        on records that come later.
    """
    if len(times) == 0:
        return np.full(len(at), np.nan)
    i = np.searchsorted(times, at, side="right") - 1
    known = i >= 0
    j = np.maximum(i, 0)
    fresh = known & (at - times[j] <= hold_us)
    return np.where(fresh, values[j], np.nan)


Floats = NDArray[np.float64]


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
def known(values: Floats) -> Floats:
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
        a = known(values[around[i, 0] : around[i, 1]])
        b = known(values[around[i, 1] : around[i, 2]])
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
