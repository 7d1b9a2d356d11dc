"""The header of a logger's file: which column is which channel, and whether units agree."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from stream.errors import SourceError
from stream.station import Station, same_unit, unit_as_written

_UNIT: Final = re.compile(r"^(.*?)\s*[\[(]\s*([^\])]*?)\s*[\])]$")
_BEHIND: Final = re.compile(r"^(.+?)[ _/]([A-Za-z][A-Za-z/]{2,9})$")
_TIME_NAMES: Final = (
    "time", "timestamp", "datetime", "datetimestamp", "timeutc", "utctime", "utc",
    "datetimeutc", "localtime", "timelocal", "date", "zeit", "zeitstempel", "datumzeit",
    "unixtime", "unixtimestamp", "epoch", "epochtime", "epochseconds",
)  # fmt: skip
"""Names of a column of times, letters only, those that are surest first."""
_LID_WORDS: Final = {"moving": 2.0, "opening": 2.0, "closing": 2.0}
_SWITCH_WORDS: Final = {
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
    """

    column: str | None
    unit: str
    states: Mapping[str, float] = field(default_factory=dict)


Wanted = Mapping[str, ChannelColumn]
"""Channel → how it is found."""


def wanted_columns(station: Station) -> Wanted:
    """What a station wants from delimited text."""
    lids = {c.lid_channel: c for c in station.chambers if c.lid_channel is not None}
    found = {}
    for name, channel in station.channels.items():
        states: dict[str, float] = {}
        lid = lids.get(name)
        if lid is not None:
            moving = next(x for x in (2.0, 3.0, 4.0) if x not in (lid.lid_closed, lid.lid_open))
            states |= dict.fromkeys(_LID_WORDS, moving)
            states |= {"open": lid.lid_open, "closed": lid.lid_closed, "close": lid.lid_closed}
        if channel.unit == "1":
            states = {**_SWITCH_WORDS, **states}
        states |= {word.lower(): number for word, number in channel.states.items()}
        found[name] = ChannelColumn(channel.column, channel.unit, states)
    return found


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


def says_utc(name: str) -> bool:
    """Whether the name of a column of times says that they are UTC: ``time (UTC)``."""
    return "utc" in re.split(r"[^a-z]+", name.casefold())


def _letters(text: str) -> str:
    return "".join(c for c in text.casefold() if c.isalpha())


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
        for channel in mine if len(mine) == 1 else ():
            if channel not in ranks or ranks[channel][0][0] == 3:
                ranks.setdefault(channel, []).append((3, i))
    found = {}
    for channel, places in ranks.items():
        best = min(places)[0]
        fitting = sorted({i for rank, i in places if rank == best})
        if len(fitting) > 1:
            shown = " and ".join(repr(cells[i]) for i in fitting)
            raise SourceError(
                f"{name}: the columns {shown} of its header all fit the channel {channel!r}."
                f" Rename all but one, or set column of [channels.{channel}]"
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
    for channel, text in units.items():
        ours = wanted[channel].unit
        if text is not None and same_unit(text, ours) is False:
            raise SourceError(
                f"{name}: {where} gives {text!r} as the unit of {channel}, the station file"
                f" {ours!r}. Correct unit of [channels.{channel}], or the file"
            )
