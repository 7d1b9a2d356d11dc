"""What is put where nothing was measured: between neighbours, and by looking up."""

from bisect import bisect_right
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import kernel

Floats = NDArray[np.float64]

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
    position = np.arange(len(series)) / per_day
    reach = np.array(REACH_DAYS)
    _look_up(
        series,
        state.hour,
        state.temperature,
        state.wfps,
        state.since_event,
        position,
        reach,
        filled,
    )
    return filled


@kernel
def _look_up(
    series: Floats,
    hour: Floats,
    temperature: Floats,
    wfps: Floats,
    since_event: Floats,
    position: Floats,
    reach: Floats,
    filled: Floats,
) -> None:
    """Put the medians into ``filled``; ``position`` and ``reach`` are in days."""
    n = len(series)
    found = np.empty(n)
    for i in range(n):
        if not np.isnan(series[i]):
            continue
        for days in reach:
            count = 0
            for j in range(n):
                if np.isnan(series[j]) or not abs(position[j] - position[i]) <= days:
                    continue
                apart = abs(hour[j] - hour[i]) % 24.0
                if not (apart <= 3.0 or 24.0 - apart <= 3.0):
                    continue
                # Where the slot itself is not known, all are near; where another is not, it is far.
                if not (np.isnan(temperature[i]) or abs(temperature[j] - temperature[i]) <= 2.5):
                    continue
                if not (np.isnan(wfps[i]) or abs(wfps[j] - wfps[i]) <= 0.08):
                    continue
                if not np.isnan(since_event[i]) and (since_event[j] < 7.0) != (
                    since_event[i] < 7.0
                ):
                    continue
                found[count] = series[j]
                count += 1
            if count >= _ENOUGH:
                filled[i] = np.median(found[:count])
                break


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
    measured = [0, *np.cumsum(~np.isnan(series)).tolist()]
    budget = int(share * measured[-1])
    drawn = np.array(lengths)
    # By the time that they take: long gaps are few, and what is uncertain of a total.
    share_of = np.cumsum(drawn / drawn.sum()) if lengths else drawn
    if lengths:
        share_of /= share_of[-1]
    shares: list[float] = share_of.tolist()
    taken = np.zeros(n, dtype=bool)
    found: list[tuple[int, int]] = []
    for _ in range(200):
        # As rng.choice(drawn, p=…) draws, which takes ten times as long.
        length = lengths[bisect_right(shares, rng.random())] if lengths else 1
        if budget < 1 or length >= n - 2:
            if length >= n - 2:
                continue
            break
        first = int(rng.integers(1, n - length))
        stop = first + length
        hidden = measured[stop] - measured[first]
        if 2 * hidden < length or hidden > budget or taken[first - 1 : stop + 1].any():
            continue
        taken[first:stop] = True
        budget -= hidden
        found.append((first, stop))
    return sorted(found)
