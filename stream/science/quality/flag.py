"""What a flag is, and the levels of quality that it lowers a row to."""

from dataclasses import dataclass
from typing import Final

GOOD: Final = 1
NOT_EVALUATED: Final = 2
SUSPECT: Final = 3
BAD: Final = 4
MISSING: Final = 9


@dataclass(frozen=True, slots=True)
class Flag:
    """One word, the quality it lowers a row to, and three sentences."""

    name: str
    quality: int
    meaning: str
    found: str
    remedy: str
