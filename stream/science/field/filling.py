"""What is put where nothing was measured: between neighbours, and by looking up."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

REACH_DAYS: Final = (3.0, 7.0, 14.0, 30.0)
"""Half-widths of the window that a look-up goes through until it finds enough."""
_ENOUGH: Final = 5


def between_neighbours(series: Floats) -> Floats:
    """Straight lines over the gaps of evenly spaced slots; the nearest value at the ends.

    Parameters
    ----------
    series : ndarray, shape (n,)
        NaN where nothing was measured.

    Returns
    -------
    ndarray, shape (n,)
        The same where it was measured; NaN throughout if nothing was.
    """
    known = np.flatnonzero(~np.isnan(series))
    if not len(known):
        return np.full(len(series), np.nan)
    at = np.arange(len(series))
    return np.interp(at, known, series[known])


@dataclass(frozen=True, slots=True)
class State:
    """What a slot is like; arrays of shape (n,), NaN where unknown.

    Attributes
    ----------
    hour : ndarray
        Hour of the day at the station.
    temperature : ndarray
        Of the soil [°C].
    wfps : ndarray
        Water-filled pore space, or water content [1].
    since_event : ndarray
        Days since rain, irrigation or fertilizer.
    """

    hour: Floats
    temperature: Floats
    wfps: Floats
    since_event: Floats


def by_looking_up(series: Floats, state: State, per_day: float) -> Floats:
    """Median of what the same chamber gave near in time, at a like hour in a like soil.

    Parameters
    ----------
    series : ndarray, shape (n,)
        Evenly spaced slots; NaN where nothing was measured.
    state : State
        Of each slot.
    per_day : float
        Slots a day.

    Returns
    -------
    ndarray, shape (n,)
        The same where it was measured. The window grows from three to thirty days either
        way until five slots are like the missing one: within three hours of the day,
        2.5 °C, 0.08 of pore space, and on the same side of a week after an event. Where
        none are, the line between neighbours.
    """
    filled = between_neighbours(series)
    known = ~np.isnan(series)
    position = np.arange(len(series)) / per_day
    fresh = state.since_event < 7.0
    for i in np.flatnonzero(~known):
        like = known & _near_hour(state.hour, float(state.hour[i]))
        like &= _near(state.temperature, float(state.temperature[i]), 2.5)
        like &= _near(state.wfps, float(state.wfps[i]), 0.08)
        if not np.isnan(state.since_event[i]):
            like &= fresh == fresh[i]
        for reach in REACH_DAYS:
            found = series[like & (np.abs(position - position[i]) <= reach)]
            if len(found) >= _ENOUGH:
                filled[i] = np.median(found)
                break
    return filled


def _near(values: Floats, value: float, width: float) -> Bools:
    """Within a width; where the value itself is not known all are near."""
    if np.isnan(value):
        return np.ones(len(values), dtype=bool)
    return np.asarray(np.abs(values - value) <= width)


def _near_hour(hours: Floats, hour: float) -> Bools:
    apart = np.abs(hours - hour) % 24.0
    return np.asarray(np.minimum(apart, 24.0 - apart) <= 3.0)


def gaps_in(series: Floats) -> list[tuple[int, int]]:
    """(first, stop) of each stretch without a value."""
    missing = np.concatenate(([False], np.isnan(series), [False])).astype(np.int8)
    edges = np.diff(missing)
    firsts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return list(zip(firsts.tolist(), stops.tolist(), strict=True))


def artificial_gaps(
    series: Floats, lengths: list[int], share: float, rng: np.random.Generator
) -> list[tuple[int, int]]:
    """Stretches to hide from a filling method, to see how well it does.

    Parameters
    ----------
    series : ndarray, shape (n,)
        NaN where nothing was measured.
    lengths : list of int
        Lengths that occurred; gaps are drawn from these, each by the time that it takes.
    share : float
        Of the measured slots that is hidden at most [1].
    rng : Generator

    Returns
    -------
    list of (first, stop)
        Apart from one another and from the ends, over slots half of which at least were
        measured.
    """
    n = len(series)
    known = ~np.isnan(series)
    budget = int(share * known.sum())
    drawn = np.array(lengths)
    # By the time that they take: long gaps are few, and what is uncertain of a total.
    share_of = drawn / drawn.sum() if lengths else drawn
    taken = np.zeros(n, dtype=bool)
    found: list[tuple[int, int]] = []
    for _ in range(200):
        length = int(rng.choice(drawn, p=share_of)) if lengths else 1
        if budget < 1 or length >= n - 2:
            if length >= n - 2:
                continue
            break
        first = int(rng.integers(1, n - length))
        stop = first + length
        hidden = int(known[first:stop].sum())
        if taken[first - 1 : stop + 1].any() or 2 * hidden < length or hidden > budget:
            continue
        taken[first:stop] = True
        budget -= hidden
        found.append((first, stop))
    return sorted(found)
