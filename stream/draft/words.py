"""What words of a lid mean that nobody has told yet: guessed by how long each of them lasts."""

from collections import Counter
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.draft.survey import Survey

OPEN: Final = 0.0
CLOSED: Final = 1.0
MOVING: Final = 2.0
MOVING_S: Final = 90.0
"""A state that lasts no longer than this is that of a moving lid."""


def stays_of(
    times: NDArray[np.int64], values: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The states of a column one after another, and how long each lasts [s].

    Parameters
    ----------
    times : ndarray of int64, shape (n,)
        In order [µs].
    values : ndarray, shape (n,)
    """
    edges = np.flatnonzero(np.diff(values) != 0) + 1
    starts = np.concatenate([np.zeros(1, np.int64), edges])
    stops = np.append(times[edges], times[-1])
    return values[starts], (stops - times[starts]) / 1e6


def settle(found: Survey) -> None:
    """Give words that are not known the numbers that fit, the same in all columns.

    Of words whose meaning is not known, the one that lasts longest in all is open, the next
    closed, and the others are moving, where known words do not say so already.
    """
    votes: dict[str, Counter[float]] = {}
    lasted: dict[str, list[float]] = {}
    for column in found.columns.values():
        times, values = column.series()
        if not column.states or not len(times):
            continue
        states, seconds = stays_of(times, values)
        meant = _meant(states, seconds)
        for word, number in column.states.items():
            if number in meant:
                votes.setdefault(word, Counter())[meant[number]] += 1
                lasted.setdefault(word, []).extend(seconds[states == number])
    for column in found.columns.values():
        for word, number in column.states.items():
            new = votes[word].most_common(1)[0][0] if word in votes else MOVING
            column.values = [np.where(v == number, new, v) for v in column.values]
            column.states[word] = new
    found.lasted = {word: float(np.median(all_)) for word, all_ in lasted.items()}


def _meant(states: NDArray[np.float64], seconds: NDArray[np.float64]) -> dict[float, float]:
    """Number of each word that is not known, below zero → what it means."""
    seen = set(states.tolist())
    total = {s: float(seconds[states == s].sum()) for s in seen if s < 0}
    stays = {s: bool(np.median(seconds[states == s]) > MOVING_S) for s in total}
    if max(seen) < 0 and sum(stays.values()) > 2:
        return {}  # names of chambers, of which one is closed at a time
    unknown = sorted(total, key=lambda s: (stays[s], total[s]), reverse=True)
    meant = dict.fromkeys(unknown, MOVING)
    for state in (OPEN, CLOSED):
        if state not in seen and unknown:
            meant[unknown.pop(0)] = state
    return meant
