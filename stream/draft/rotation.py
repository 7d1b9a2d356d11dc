"""A column whose whole numbers take turns: which chamber is closed, or which port is on."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.times import DAY

_MOST: Final = 64
_LEAST_S: Final = 60.0
"""A number that stands for less than this is no closure."""
_LEAST_RECORDS: Final = 3
_ALIKE: Final = 3.0
"""Chambers are closed for about as long as one another, and about as often."""


@dataclass(frozen=True, slots=True)
class Rotation:
    """How the numbers of a column take turns.

    Attributes
    ----------
    numbers : tuple of int
        Those that stand for a chamber or a port.
    stay_s : float
        How long one stands, by the median [s].
    per_day : float
        How often each of them comes, by the median.
    """

    numbers: tuple[int, ...]
    stay_s: float
    per_day: float


def rotation_of(
    times: NDArray[np.int64], values: NDArray[np.float64], *, named: bool
) -> Rotation | None:
    """How a column's numbers take turns; None for any other column.

    Parameters
    ----------
    times : ndarray of int64, shape (n,)
        In order [µs].
    values : ndarray, shape (n,)
        NaN where a cell holds nothing, below zero where it holds a word.
    named : bool
        Whether its name says that it is one; then numbers may follow one another without a
        pause, as those of a valve do.
    """
    if len(times) < 10 or not (values[~np.isnan(values)] % 1 == 0).all():
        return None
    known = np.where(values > 0, values, 0.0)  # nothing, a word and 0 are all a pause
    starts = np.concatenate([[0], np.flatnonzero(np.diff(known) != 0) + 1])
    stops = np.append(starts[1:], len(known) - 1)
    number, records = known[starts], np.append(starts[1:], len(known)) - starts
    lasted = (times[stops] - times[starts]) / 1e6
    on = number > 0
    seen = np.unique(number[on])
    if not 2 <= len(seen) <= _MOST:
        return None
    stay = np.array([np.median(lasted[number == n]) for n in seen])
    times_seen = np.array([(number == n).sum() for n in seen])
    many = np.median(times_seen)
    after_pause = on[1:].sum() and (~on[:-1][on[1:]]).mean()
    if (
        stay.min() < _LEAST_S
        or np.median(records[on]) < _LEAST_RECORDS
        or stay.max() > _ALIKE * stay.min()
        or times_seen.max() > _ALIKE * many
        or many < 2
        or not (named or after_pause >= 0.5)
    ):
        return None
    days = max((int(times[-1]) - int(times[0])) / DAY, 1 / 24)
    return Rotation(tuple(int(n) for n in seen), float(np.median(stay)), float(many / days))
