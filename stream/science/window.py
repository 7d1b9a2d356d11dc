"""Which samples of a closure are fitted: dead band, end, and what is missing in between."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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


def select(inlet_us: Micros, window: Window) -> slice:
    """Samples in a window, the start included and the stop not.

    Parameters
    ----------
    inlet_us : ndarray of int64, shape (n,)
        Increasing times at the inlet: record time less the analyzer's lag [µs].
    """
    first, last = np.searchsorted(inlet_us, (window.start_us, window.stop_us), side="left")
    return slice(int(first), int(max(first, last)))


def missing_share(inlet_us: Micros, window: Window) -> float:
    """Share of a window that is without samples at their usual spacing.

    Parameters
    ----------
    inlet_us : ndarray of int64, shape (n,)
        Times of the samples in the window [µs].

    Returns
    -------
    float
        Sum of all pauses longer than 1.5 times the median spacing, less one spacing
        each, over the length of the window; 1 without samples.
    """
    span = window.stop_us - window.start_us
    if span <= 0 or len(inlet_us) == 0:
        return 1.0
    if len(inlet_us) == 1:
        return 0.0
    spacing = np.diff(inlet_us)
    least, most = spacing.min(), spacing.max()
    edges = max(inlet_us[0] - window.start_us, window.stop_us - inlet_us[-1])
    if most <= 1.5 * least and edges <= least:
        return 0.0  # no pause can be a long one, whatever the median is
    usual = float(np.median(spacing))
    # The window's ends count as samples half a spacing outside it.
    padded = np.concatenate(
        ([window.start_us - 0.5 * usual], inlet_us, [window.stop_us + 0.5 * usual])
    )
    pauses = np.diff(padded)
    long = pauses > 1.5 * usual
    return float(np.sum(pauses[long] - usual) / span)


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
    if len(inlet_us) < 2:
        return float("nan")
    spacing = np.diff(inlet_us)
    if spacing.min() == spacing.max():
        return float(spacing[0])
    return float(np.median(spacing))


def is_flat(values: NDArray[np.float64]) -> bool:
    """Whether a reading does not move, not even by its own noise.

    More than half of the samples repeat the one before to the last digit, and all of
    them take three values or fewer; at least ten samples are needed to say so.
    """
    if len(values) < 10:
        return False
    repeats = np.count_nonzero(values[1:] == values[:-1])
    if 2 * repeats <= len(values):
        return False
    return len(np.unique(values)) <= 3


def step_at(
    times: Micros, values: NDArray[np.float64], edge_us: int, before_us: int, after_us: int
) -> tuple[float, float]:
    """How much a sensor jumps at a moment.

    Parameters
    ----------
    times, values : ndarray, shape (n,)
        Increasing times [µs] and values, NaN where there is none.
    edge_us : int
        The moment [µs].
    before_us, after_us : int
        How long before and after it is looked [µs].

    Returns
    -------
    tuple of float
        Median after less median before, and its standard error from the differences of
        neighbours; NaN with fewer than three values on a side.
    """
    first, middle, last = np.searchsorted(times, (edge_us - before_us, edge_us, edge_us + after_us))
    sides = [values[first:middle], values[middle:last]]
    a, b = (side[~np.isnan(side)] for side in sides)
    if len(a) < 3 or len(b) < 3:
        return float("nan"), float("nan")
    rough = np.concatenate((np.diff(a), np.diff(b)))
    # Neighbours differ by √2 times the noise; a median's variance is π/2 times a mean's.
    noise = float(np.sqrt(np.mean(rough**2) / 2.0))
    error = noise * np.sqrt(np.pi / 2 * (1 / len(a) + 1 / len(b)))
    return float(np.median(b) - np.median(a)), float(error)


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


def mean_over(
    times: Micros, values: NDArray[np.float64], window: Window, hold_us: int
) -> tuple[float, bool]:
    """Mean of a slow sensor over a window.

    Returns
    -------
    tuple
        The mean, and whether it is only the last value before the window (within the
        hold); NaN and False where there is neither.
    """
    part = select(times, window)
    inside = values[part]
    inside = inside[~np.isnan(inside)]
    if len(inside):
        return float(np.mean(inside)), False
    j = part.start - 1
    while j >= 0 and window.start_us - times[j] <= hold_us:
        if not np.isnan(values[j]):
            return float(values[j]), True
        j -= 1
    return float("nan"), False
