"""Every flag there is: what it means, how it is found, what to do at the station.

Flags are words in the manner of CF ``flag_meanings``; ``quality`` is the primary
level of the IOC scheme [IOC54V3]_: 1 good, 2 not evaluated, 3 suspect, 4 bad,
9 missing. In a row the gravest flag decides, 9 standing for a number that is not there.

While a row is worked out its flags are the bits of one number; it bears words once it is written.
"""

from collections.abc import Iterable
from functools import cache
from typing import Final

from stream.science.quality.flag import BAD, GOOD, MISSING, NOT_EVALUATED, SUSPECT, Flag
from stream.science.quality.flags_fit import FIT
from stream.science.quality.flags_lid import GAPS, LID
from stream.science.quality.flags_points import POINTS

__all__ = [
    "BAD", "BIT", "FLAGS", "GOOD", "MISSING", "NOT_EVALUATED", "SUSPECT", "Flag", "bits_of",
    "gravest", "quality", "words",
]  # fmt: skip

FLAGS: Final = {flag.name: flag for flag in (*LID, *POINTS, *FIT, *GAPS)}
"""Word → :class:`Flag`, in the order in which rows list them."""

BIT: Final = {name: 1 << i for i, name in enumerate(FLAGS)}
"""Word → its bit."""
_GRAVITY: Final = {MISSING: 4, BAD: 3, SUSPECT: 2, NOT_EVALUATED: 1, GOOD: 0}


def bits_of(words: Iterable[str]) -> int:
    """The bits of some words.

    Raises
    ------
    KeyError
        A word is not in :data:`FLAGS`.
    """
    found = 0
    for word in words:
        found |= BIT[word]
    return found


@cache
def words(flags: int) -> str:
    """Blank-separated words of some bits, in the fixed order."""
    return " ".join(name for name, bit in BIT.items() if flags & bit)


@cache
def quality(flags: int) -> int:
    """Primary quality of a row that bears ``flags``: 1, 2, 3, 4 or 9 [IOC54V3]_."""
    borne = (flag.quality for flag in FLAGS.values() if flags & BIT[flag.name])
    return max(borne, key=lambda q: _GRAVITY[q], default=GOOD)


def gravest(words: Iterable[str]) -> str:
    """The flag that decides the quality, the first of them in the fixed order, or ''."""
    return max(
        sorted(set(words), key=lambda name: BIT[name]),
        key=lambda name: _GRAVITY[FLAGS[name].quality],
        default="",
    )
