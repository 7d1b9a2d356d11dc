"""Names of columns: the words in them, the unit behind them, the chamber's key within."""

import re
from collections.abc import Collection
from typing import Final

from stream.ingest.delimited.header import split_unit
from stream.station import unit_as_written

TEMPERATURE: Final = {"t", "ta", "ts", "temp", "temperature", "tair", "tsoil"}
LID: Final = {"lid", "cover", "door"}
CHAMBER: Final = {"chamber", "collar", "closed"}


def tokens(name: str) -> set[str]:
    """Words of a name in lower case, with and without the digits at their ends."""
    parts = re.split(r"[^a-z0-9]+", name.lower())
    return {p for part in parts for p in (part, part.rstrip("0123456789")) if p}


def split_header(header: str, others: Collection[str]) -> tuple[str, str | None]:
    """A header's name and its unit, also where a blank alone parts them: ``Temp_A C``.

    Parameters
    ----------
    header : str
    others : collection of str
        Headers of the same file. What tells a column from the next is no unit: of ``Temp A``,
        ``Temp B`` and ``Temp C`` none is a temperature in °C by its letter.
    """
    name, unit = split_unit(header)
    if unit is not None:
        return name, unit
    stem, _, last = header.rpartition(" ")
    if not stem.strip() or unit_as_written(last) is None:
        return header, None
    if len(last) == 1 and last.isalpha() and not tokens(stem) & TEMPERATURE:
        return header, None
    if any(other != header and other.rpartition(" ")[0] == stem for other in others):
        return header, None
    return stem.strip(), last


def mark_of(key: str) -> re.Pattern[str]:
    """Where a chamber's key may stand in a name in lower case: as a word, a number as one."""
    around = "[0-9]" if key[0].isdigit() else "[a-z0-9]"
    return re.compile(rf"(?<!{around}){re.escape(key)}(?!{around})")
