"""One odd case: its files byte by byte, and what must come of them."""

import math
from dataclasses import dataclass
from typing import Final

NEITHER: Final = math.nan
"""Expected value of a record of a lid that is neither open nor closed, whatever number
stands for that."""

Records = dict[str, list[tuple[str, float]]]
"""Channel → (time as RFC 3339 with Z, value), in order of time."""


@dataclass(frozen=True, kw_only=True)
class OddFile:
    """One odd case.

    Attributes
    ----------
    id : str
        Short and unique.
    files : dict of str to bytes
        Name → exact bytes, in the order in which they are given and written.
    channels : str
        TOML: the tables ``[channels.*]``, and ``[[chambers]]`` where a lid matters.
    source : str
        TOML: more keys of the folder source.
    clock : str
        Of the station.
    records : Records
        Exactly what must be stored, of all files together; after ``answer``, if any.
    refused : tuple of (str, int)
        File and line (from 1) of each refusal, once for each cell or line that is refused.
        Lists nothing for files that are refused as a whole.
    asks : str or None
        The key that must be named; the files that need it are not stored, and replay
        exits 2.
    answer : str
        TOML: keys of the source that settle what was asked.
    meanwhile : Records
        What is stored although something is asked: records of the other files.
    error : tuple of str
        Words of the one line about a file that is refused as a whole, in any letter case.
    bad_file : str
        The file that this line must name; '' where ``error`` is empty.
    exit_code : int
        Of ``replay --partial``; where something is asked, of the replay after the answer.
    columns_change : bool
        Whether what is listed is nothing but a header with other columns, of which nothing
        is lost.
    header_lines : int
        Leading lines of every file that each piece of it must begin with.
    cut : bool
        False where pieces of the file do not hold what the whole tells.
    grows : bool
        False where the beginning of the file tells something else than the whole.
    """

    id: str
    files: dict[str, bytes]
    channels: str
    records: Records
    source: str = ""
    clock: str = "+01:00"
    refused: tuple[tuple[str, int], ...] = ()
    asks: str | None = None
    answer: str = ""
    meanwhile: Records | None = None
    error: tuple[str, ...] = ()
    bad_file: str = ""
    exit_code: int = 0
    columns_change: bool = False
    header_lines: int = 1
    cut: bool = True
    grows: bool = True
