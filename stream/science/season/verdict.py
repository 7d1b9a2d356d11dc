"""Whether enough of a season was measured to state its total."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from stream.science.field.season import Amount

Floats = NDArray[np.float64]

Verdict = Literal["season", "mostly modelled", "no total"]
WORST_LAST: Final[tuple[Verdict, ...]] = ("season", "mostly modelled", "no total")
_JOINED_DAYS: Final = 3
"""A gap that is longer ends a span."""
_SHORT: Final = 0.75
"""Share of a period of few days that must be measured."""
_WHOLE: Final = 0.9
"""Where so much of days and emission was measured, how wide the interval is tells of the
analyzer, and not of the model."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What a season's total needs.

    Attributes
    ----------
    season_share : float
        Of days and of the expected emission that must be measured for a season's total [1].
    least_share : float
        The same for any total [1].
    least_days : int
        Days that must be measured for any total.
    widest : float
        Half of the 90 % interval over the total, from which that is mostly modelled [1].
    """

    season_share: float = 0.5
    least_share: float = 0.25
    least_days: int = 20
    widest: float = 0.3


@dataclass(frozen=True, slots=True)
class Shares:
    """What was measured.

    Attributes
    ----------
    days : float
        Of the season's days, weighted by area [1].
    emission : float
        Of the expected emission, uptake counted as emission is [1].
    measured_days : float
        How many, weighted by area.
    """

    days: float
    emission: float
    measured_days: float


@dataclass(frozen=True, slots=True)
class Covered:
    """Total of the span that was measured; days by their index, ``last`` included."""

    first: int
    last: int
    total: Amount


def verdict_of(shares: Shares, total: Amount, days: int, limits: Limits) -> Verdict:
    """Whether there is a total of the season.

    Parameters
    ----------
    shares : Shares
    total : Amount
        With the interval of what these plots emitted.
    days : int
        Of the season.
    limits : Limits

    Returns
    -------
    str
        ``season``, ``mostly modelled`` or ``no total``.
    """
    least = min(shares.days, shares.emission)
    needed = min(float(limits.least_days), _SHORT * days)
    if not least >= limits.least_share or shares.measured_days < needed:
        return "no total"
    if least < limits.season_share:
        return "mostly modelled"
    if least < _WHOLE and not total.half_width < limits.widest:
        return "mostly modelled"
    return "season"


def worst(verdicts: Sequence[Verdict]) -> Verdict:
    """Of several that make one number together."""
    return max(verdicts, key=WORST_LAST.index)


def covered_span(coverage: Floats) -> tuple[int, int] | None:
    """First and last day of the longest span without a gap of more than three days.

    Parameters
    ----------
    coverage : ndarray, shape (days,)
        Share of each day that was measured, weighted by area.

    Returns
    -------
    tuple of int or None
    """
    measured = np.flatnonzero(coverage > 0.5)
    if not len(measured):
        return None
    ends = np.flatnonzero(np.diff(measured) > _JOINED_DAYS + 1)
    firsts = measured[np.concatenate(([0], ends + 1))]
    lasts = measured[np.concatenate((ends, [len(measured) - 1]))]
    longest = int(np.argmax(lasts - firsts))
    return int(firsts[longest]), int(lasts[longest])
