"""Every flag there is: what it means, how it is found, what to do at the station.

Flags are words in the manner of CF ``flag_meanings``; ``quality`` is the primary
level of the IOC scheme [IOC54V3]_: 1 good, 2 not evaluated, 3 suspect, 4 bad,
9 missing. In a row the gravest flag decides, 9 standing for a number that is not there.
"""

from collections.abc import Iterable
from typing import Final

from stream.science.quality.flag import BAD, GOOD, MISSING, NOT_EVALUATED, SUSPECT, Flag
from stream.science.quality.flags_fit import FIT
from stream.science.quality.flags_lid import GAPS, LID
from stream.science.quality.flags_points import POINTS

__all__ = [
    "BAD", "FLAGS", "GOOD", "MISSING", "NOT_EVALUATED", "SUSPECT", "Flag", "gravest", "quality",
    "words",
]  # fmt: skip

FLAGS: Final = {flag.name: flag for flag in (*LID, *POINTS, *FIT, *GAPS)}
"""Word → :class:`Flag`, in the order in which rows list them."""

_ORDER: Final = {name: i for i, name in enumerate(FLAGS)}
_GRAVITY: Final = {MISSING: 4, BAD: 3, SUSPECT: 2, NOT_EVALUATED: 1, GOOD: 0}


def words(flags: Iterable[str]) -> str:
    """Blank-separated words in the fixed order, each once.

    Raises
    ------
    KeyError
        A word is not in :data:`FLAGS`.
    """
    return " ".join(sorted(set(flags), key=lambda name: _ORDER[name]))


def quality(flags: Iterable[str]) -> int:
    """Primary quality of a row that bears ``flags``: 1, 2, 3, 4 or 9 [IOC54V3]_."""
    return max((FLAGS[name].quality for name in flags), key=lambda q: _GRAVITY[q], default=GOOD)


def gravest(flags: Iterable[str]) -> str:
    """The flag that decides the quality, the first of them in the fixed order, or ''."""
    return max(
        sorted(set(flags), key=lambda name: _ORDER[name]),
        key=lambda name: _GRAVITY[FLAGS[name].quality],
        default="",
    )
