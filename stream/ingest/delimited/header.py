"""The header of a logger's file: which column is which channel, the time or its zone, and
whether units agree.
"""

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.errors import SourceError
from stream.station import (
    Station,
    closing_words,
    lids_of_one_column,
    same_unit,
    unit_as_written,
)

_UNIT: Final = re.compile(r"^(.*?)\s*[\[(]\s*([^\])]*?)\s*[\])]$")
_BEHIND: Final = re.compile(r"^(.+?)[ _/]([A-Za-z][A-Za-z/]{2,9})$")
_TIME_NAMES: Final = (
    "time", "timestamp", "datetime", "datetimestamp", "timeutc", "utctime", "utc",
    "datetimeutc", "localtime", "timelocal", "date", "zeit", "zeitstempel", "datumzeit",
    "unixtime", "unixtimestamp", "epoch", "epochtime", "epochseconds", "zeitpunkt",
    "ts", "tsms", "tsus", "tsns", "timems", "timeus", "timens",
)  # fmt: skip
"""Names of a column of times, letters only, those that are surest first."""
_YEARS: Final = ("year", "yr", "yyyy", "jahr")
_DATE_PARTS: Final = (
    "month", "mon", "mo", "mm", "monat", "doy", "day", "dy", "dd", "tag", "hour", "hr", "hh",
    "stunde", "minute", "min", "mi", "hhmm",
)  # fmt: skip
_ZONE_NAMES: Final = {"tz", "timezone", "timezonename", "utcoffset", "gmtoffset", "tzoffset"}
"""Names of a column of time zones, letters only."""
_ZONE_CELLS: Final = frozenset((
    "CET", "CEST", "MEZ", "MESZ", "WET", "WEST", "EET", "EEST", "BST", "IST", "MSK", "SAST", "EAT",
    "WAT", "CAT", "EST", "EDT", "CST", "CDT", "MST", "MDT", "PST", "PDT", "AKST", "AKDT", "HST",
    "AST", "ADT", "BRT", "ART", "CLT", "CLST", "AEST", "AEDT", "ACST", "ACDT", "AWST", "NZST",
    "NZDT", "JST", "KST",
))  # fmt: skip
"""Cells that mark such a column; what they mean only the clock's zone tells."""
_PLAIN_ZONE: Final = re.compile(
    r"^(?:(?:UTC|GMT)\s?[+-]\d{1,2}(?::?\d{2})?|UTC|GMT|[+-]\d{2}:\d{2})$"
)
"""What is a zone in any column."""
_REMEMBERED: Final = 4096
"""Cells of headers: the files of a folder share theirs."""
LID_WORDS: Final = {
    "open": "open", "opened": "open", "closed": "closed", "close": "closed", "shut": "closed",
    "moving": "moving", "opening": "moving", "closing": "moving",
}  # fmt: skip
"""Words of a lid's column that need no ``states``."""
SWITCH_WORDS: Final = {
    "true": 1.0, "false": 0.0, "on": 1.0, "off": 0.0, "yes": 1.0, "no": 0.0,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class ChannelColumn:
    """How one channel is found in a header, and how its cells are read.

    Attributes
    ----------
    column : str or None
        The header as the station file gives it; None: by the channel's name.
    unit : str
    states : mapping of str to float
        Words in lower case → their numbers.
    given : frozenset of str
        Words of ``states`` that the station file gives: they count even where they usually
        mean that there is no value.
    one_of : (float, float) or None
        Closed and open of a lid whose column holds the number of the chamber that is closed:
        any other number than closed means open. Closed is NaN where words say it.
    """

    column: str | None
    unit: str
    states: Mapping[str, float] = field(default_factory=dict)
    given: frozenset[str] = frozenset()
    one_of: tuple[float, float] | None = None

    def meant(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """What numbers of the column mean for this channel, shape (n,)."""
        if self.one_of is None:
            return values
        closed, opened = self.one_of
        found = np.where(values == closed, closed, opened)
        found[np.isnan(values)] = np.nan
        return found


Wanted = Mapping[str, ChannelColumn]
"""Channel → how it is found."""


def wanted_columns(station: Station) -> Wanted:
    """What a station wants from delimited text."""
    lids = {c.lid_channel: c for c in station.chambers if c.lid_channel is not None}
    sharing = lids_of_one_column(station)
    found = {}
    for name, channel in station.channels.items():
        states: dict[str, float] = {}
        lid = lids.get(name)
        others = [lids[other] for other in sharing.get(name, ())]
        one_of = None
        if lid is not None:
            moving = next(x for x in (2.0, 3.0, 4.0) if x not in (lid.lid_closed, lid.lid_open))
            meant = {"open": lid.lid_open, "closed": lid.lid_closed, "moving": moving}
            states |= {word: meant[state] for word, state in LID_WORDS.items()}
        if channel.unit == "1":
            states = {**SWITCH_WORDS, **states}
        own = {word.lower(): number for word, number in channel.states.items()}
        if lid is not None and others:
            # "closed" alone does not say which; a word for another chamber says it is not this.
            states = {w: n for w, n in states.items() if LID_WORDS.get(w, "closed") != "closed"}
            states |= dict.fromkeys(("off", "no", "false"), lid.lid_open)
            states |= {w.lower(): lid.lid_open for o in others for w in closing_words(station, o)}
            closed = float("nan") if closing_words(station, lid) else lid.lid_closed
            one_of = (closed, lid.lid_open)
        states |= own
        found[name] = ChannelColumn(channel.column, channel.unit, states, frozenset(own), one_of)
    return found


@lru_cache(_REMEMBERED)
def split_unit(cell: str) -> tuple[str, str | None]:
    """A header's name and its unit: ``N2O [ppb]`` → ``('N2O', 'ppb')``."""
    match = _UNIT.match(cell)
    if match and match[1]:
        return match[1], match[2]
    # A unit of three letters or more may stand behind a line or a slash: n2o_ppb, p/hPa.
    match = _BEHIND.match(cell)
    if match and unit_as_written(match[2]) is not None:
        return match[1], match[2]
    return cell, None


def find_time(cells: Sequence[str], given: str | None) -> int | None:
    """Place of the column of times by its name; None where no name says so."""
    if given is not None:
        exact = [i for i, cell in enumerate(cells) if cell == given]
        alike = [i for i, cell in enumerate(cells) if cell.casefold() == given.casefold()]
        return next(iter(exact or alike), None)
    names = [_letters(split_unit(cell)[0]) for cell in cells]
    return next((names.index(name) for name in _TIME_NAMES if name in names), None)


def find_zone(
    header: Sequence[str], cells: Sequence[str], times: Collection[int], taken: Collection[int]
) -> int | None:
    """Place of the column of time zones; None where there is none.

    Parameters
    ----------
    header : sequence of str
    cells : sequence of str
        Of the first record.
    times : collection of int
        Places of the time, and of the date where it stands apart.
    taken : collection of int
        Places of channels.
    """
    free = [i for i in range(min(len(header), len(cells))) if i not in taken and i not in times]
    names = {i: _letters(header[i]) for i in free}
    named = [i for i in free if names[i] in _ZONE_NAMES]
    beside = max(times) + 1
    told = [
        i
        for i in free
        if _PLAIN_ZONE.match(cells[i])
        or (cells[i] in _ZONE_CELLS and (i == beside or names[i] == "zone"))
    ]
    return next(iter(named or told), None)


def may_name_time(line: str, given: str | None) -> bool:
    """Whether a line may have the column of times among its cells, however it is parted; quick,
    and False for nearly all that are records.
    """
    if given is None:
        letters = _letters(line)
        return any(name in letters for name in _TIME_NAMES)
    return '"' in given or given.casefold() in line.casefold()


def date_parts(line: str) -> tuple[str, ...]:
    """Columns of a header that hold a date in parts: a year, and a month or a day beside it."""
    names = re.findall(r"[^\W\d_]+", line.casefold())
    found = tuple(n for n in dict.fromkeys(names) if n in _YEARS or n in _DATE_PARTS)
    return found if len(found) > 2 and any(n in _YEARS for n in found) else ()


def says_utc(name: str) -> bool:
    """Whether the name of a column of times says that they are UTC: ``time (UTC)``."""
    return "utc" in re.split(r"[^a-z]+", name.casefold())


def _letters(text: str) -> str:
    return "".join(c for c in text.casefold() if c.isalpha())


@lru_cache(_REMEMBERED)
def _core(cell: str) -> str:
    """A header's name by its letters and digits alone, without its unit."""
    return "".join(c for c in split_unit(cell)[0].casefold() if c.isalnum())


def find_channels(name: str, cells: Sequence[str], wanted: Wanted) -> dict[str, int]:
    """Channel → place of its column.

    Parameters
    ----------
    name : str
        Of the file, for messages.
    cells : sequence of str
        The header, without blanks at the ends of cells.
    wanted : Wanted

    Raises
    ------
    SourceError
        Two columns fit one channel equally well.
    """
    by_name: dict[str, list[str]] = {}
    for channel, how in wanted.items():
        by_name.setdefault((how.column or channel).casefold(), []).append(channel)
    ranks: dict[str, list[tuple[int, int]]] = {}
    for i, cell in enumerate(cells):
        for channel in by_name.get(cell.casefold(), ()):
            rank = 0 if cell == (wanted[channel].column or channel) else 1
            ranks.setdefault(channel, []).append((rank, i))
        plain = split_unit(cell)[0]
        for channel in by_name.get(plain.casefold(), ()) if plain != cell else ():
            if wanted[channel].column is None:
                ranks.setdefault(channel, []).append((2, i))
    # A column that is written a little differently now, in its unit or in its blanks.
    alike: dict[str, list[str]] = {}
    for channel, how in wanted.items():
        alike.setdefault(_core(how.column or channel), []).append(channel)
    taken = {i for places in ranks.values() for _, i in places}
    for i, cell in enumerate(cells):
        mine = alike.get(_core(cell), ()) if i not in taken and _core(cell) else ()
        headers = {(wanted[channel].column or channel).casefold() for channel in mine}
        for channel in mine if len(headers) == 1 else ():
            if channel not in ranks or ranks[channel][0][0] == 3:
                ranks.setdefault(channel, []).append((3, i))
    found = {}
    for channel, places in ranks.items():
        best = min(places)[0]
        fitting = sorted({i for rank, i in places if rank == best})
        if len(fitting) > 1:
            shown = " and ".join(repr(cells[i]) for i in fitting)
            way = f"set column of [channels.{channel}]"
            if len({cells[i] for i in fitting}) == 1:
                way = "set header_line and columns of its source, which names columns anew"
            raise SourceError(
                f"{name}: the columns {shown} of its header all fit the channel {channel!r}."
                f" Rename all but one, or {way}"
            )
        found[channel] = fitting[0]
    return {channel: found[channel] for channel in wanted if channel in found}


def check_units(
    name: str, units: Mapping[str, str | None], wanted: Wanted, where: str = "its header"
) -> None:
    """Hold units that a file states against those of the station file.

    Parameters
    ----------
    name : str
        Of the file, for messages.
    units : mapping of str to str or None
        Channel → unit as the file writes it; a word that is no known unit is passed over.
    wanted : Wanted
    where : str
        Where the file states them, for messages.

    Raises
    ------
    SourceError
        One contradicts: values would be taken in another unit than they are in.
    """
    wrong = {
        channel: f"{text!r} as the unit of {channel}, the station file {wanted[channel].unit!r}"
        for channel, text in units.items()
        if text is not None and same_unit(text, wanted[channel].unit) is False
    }
    if wrong:
        keys = ", ".join(f"[channels.{channel}]" for channel in wrong)
        raise SourceError(
            f"{name}: {where} gives {'; '.join(wrong.values())}. Correct unit of {keys}, or the"
            " file"
        )


def listed(columns: Sequence[str]) -> str:
    """For people: the first columns of a header, and how many more."""
    shown = ", ".join(columns[:8])
    return f"it has {shown}" + (f" and {len(columns) - 8} more" if len(columns) > 8 else "")
