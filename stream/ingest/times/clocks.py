"""Clocks of loggers: their zones, their local times into UTC, and that they stay what they were."""

import re
from collections.abc import Collection, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo, available_timezones

import numpy as np
from numpy.typing import NDArray

from stream.errors import CommandError, RecordError
from stream.station import FolderSource, StationFile
from stream.store import Store
from stream.store.journal.journal import Journal
from stream.store.station_data import Marks
from stream.times import SECOND, to_micros

Micros = NDArray[np.int64]

_NAMES: Final = {"tz", "timezone", "timezonename", "utcoffset", "gmtoffset", "tzoffset"}
"""Headers, letters only, of a column that holds nothing else."""
_ABBREVIATIONS: Final = frozenset((
    "CET", "CEST", "MEZ", "MESZ", "WET", "WEST", "EET", "EEST", "BST", "IST", "MSK", "SAST", "EAT",
    "WAT", "CAT", "EST", "EDT", "CST", "CDT", "MST", "MDT", "PST", "PDT", "AKST", "AKDT", "HST",
    "AST", "ADT", "BRT", "ART", "CLT", "CLST", "AEST", "AEDT", "ACST", "ACDT", "AWST", "NZST",
    "NZDT", "JST", "KST",
))  # fmt: skip
"""Names that mark a column; what they mean only the clock's zone tells."""
_ALIKE: Final = {"MEZ": "CET", "MESZ": "CEST", "MET": "CET", "MEST": "CEST"}
_TIMES: Final = frozenset(("CET", "MET", "EET", "WET"))
"""Names of a standard time that the zone database takes as zones with summer time."""
_YEARS: Final = range(2000, 2038)
_PLACES: Final = ("Europe", "America", "Australia", "Pacific", "Asia", "Africa")
"""Where an example of a zone is looked for first."""
_PLAIN: Final = re.compile(r"^(?:(?:UTC|GMT)\s?[+-]\d{1,2}(?::?\d{2})?|UTC|GMT|[+-]\d{2}:\d{2})$")
"""What is a zone in any column."""
_OFFSET: Final = re.compile(
    r"^(?:(?:UTC|GMT)\s?)?(?P<sign>[+-]?)(?:(?P<h>\d{1,2})(?::(?P<m>\d{2}))?|(?P<hh>\d{2})(?P<mm>\d{2}))$",
    re.ASCII,
)
_QUARTER_US: Final = 900 * SECOND
_NAIVE_EPOCH: Final = datetime(1970, 1, 1)  # noqa: DTZ001 - local times are counted from here


class UnknownZone(RecordError):
    """A word for a zone that does not say how far it is from UTC."""


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
    names = {i: "".join(c for c in header[i].casefold() if c.isalpha()) for i in free}
    named = [i for i in free if names[i] in _NAMES]
    beside = max(times) + 1
    told = [
        i
        for i in free
        if _PLAIN.match(cells[i])
        or (cells[i] in _ABBREVIATIONS and (i == beside or names[i] == "zone"))
    ]
    return next(iter(named or told), None)


@lru_cache(maxsize=256)
def offset_us(word: str) -> int | None:
    """Offset from UTC that a word says [µs]; None for the name of a zone: ``+02:00``, ``UTC``,
    ``-0330``, ``UTC+1``.
    """
    if word in ("Z", "UTC", "GMT"):
        return 0
    match = _OFFSET.match(word)
    if match is None:
        return None
    hours, minutes = int(match["h"] or match["hh"]), int(match["m"] or match["mm"] or 0)
    if hours > 14 or minutes not in (0, 15, 30, 45):
        return None
    shift = (hours * 3600 + minutes * 60) * SECOND
    return -shift if match["sign"] == "-" else shift


def zone_to_utc(word: str, clock: tzinfo, local: Micros) -> Micros | None:
    """Local times beside one word of their column of zones, in UTC.

    Parameters
    ----------
    word : str
    clock : tzinfo
        Of the source. Names such as CEST mean many things; they are those of this zone, or
        the clock's own offset where some zone has that name at it.
    local : ndarray of int64, shape (n,)
        [µs]

    Returns
    -------
    ndarray of int64, shape (n,), or None
        None where the word names the clock itself.

    Raises
    ------
    UnknownZone
        The word is no offset, and no name that the clock has at these times.

    Notes
    -----
    ``CET`` and its kin as a clock follow summer time in the zone database; beside such a word in
    the column they do not, so that no hour is lost in silence.
    """
    shift = offset_us(word)
    if shift is not None:
        return local - shift
    if not isinstance(clock, ZoneInfo):
        stays = clock.utcoffset(None)
        if stays in times_of(word):
            return None
        raise UnknownZone(
            f"time zone {word[:40]!r} is not known at the offset of the clock,"
            f" {_signed(stays or timedelta())}. {_ways_out(word)}"
        )
    if word == clock.key and word not in _TIMES:
        return None
    quarters, where = np.unique(local // _QUARTER_US, return_inverse=True)
    shifts = [_shift_of(word, clock, int(q) * _QUARTER_US) for q in quarters]
    return np.asarray(local - np.array(shifts, dtype=np.int64)[where])


def times_of(word: str) -> dict[timedelta, str]:
    """Offsets that an abbreviation stands for anywhere, as standard or summer time, each with a
    zone that has it.
    """
    return _abbreviations().get(_ALIKE.get(word, word), {})


@lru_cache(maxsize=1)
def _abbreviations() -> dict[str, dict[timedelta, str]]:
    """Those of the IANA time zone database, as in January and July of recent years."""
    found: dict[str, dict[timedelta, set[str]]] = {}
    for key in available_timezones():
        zone = ZoneInfo(key)
        for year in _YEARS:
            for month in (1, 7):
                moment = datetime(year, month, 1, tzinfo=zone)
                name, offset = moment.tzname() or "", moment.utcoffset() or timedelta()
                found.setdefault(_ALIKE.get(name, name), {}).setdefault(offset, set()).add(key)
    return {
        name: {offset: min(times[offset], key=_likely_place) for offset in sorted(times)}
        for name, times in found.items()
        if name.isalpha()
    }


@lru_cache(maxsize=1024)
def _likely_place(key: str) -> tuple[bool, int, str]:
    """What makes a zone a good example: it follows summer time, in a place people know."""
    offsets = {datetime(_YEARS[-1], m, 1, tzinfo=ZoneInfo(key)).utcoffset() for m in (1, 7)}
    area = key.partition("/")[0]
    return len(offsets) == 1, _PLACES.index(area) if area in _PLACES else len(_PLACES), key


def _ways_out(word: str) -> str:
    """What to set for a logger that stays on one time, and for one that does not."""
    known = times_of(word)
    offsets = " or ".join(f'"{_signed(offset)}"' for offset in known)
    zones = " or ".join(dict.fromkeys(f'"{zone}"' for zone in known.values()))
    one = offsets or 'its offset, such as "+01:00",'
    other = zones or '"Europe/Copenhagen"'
    return (
        f"Set clock of its source to {one} where the logger stays on one time all year, or to its"
        f" zone, such as {other}, where it follows summer time"
    )


def _signed(offset: timedelta) -> str:
    minutes = round(offset.total_seconds() / 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def _shift_of(word: str, clock: ZoneInfo, local: int) -> int:
    naive = _NAIVE_EPOCH + timedelta(microseconds=local)
    for fold in (0, 1):
        aware = naive.replace(tzinfo=clock, fold=fold)
        if _ALIKE.get(name := aware.tzname() or "", name) == _ALIKE.get(word, word):
            return local - to_micros(aware.astimezone(UTC))
    raise UnknownZone(
        f"time zone {word[:40]!r} is not that of the clock {clock.key!r} at {naive:%Y-%m-%d %H:%M}."
        f" {_ways_out(word)}"
    )


def fixed_offset_us(zone: tzinfo) -> int | None:
    """Offset of a fixed zone [µs], or None for one whose offset changes."""
    if isinstance(zone, ZoneInfo):
        return None
    shift = zone.utcoffset(None)
    if shift is None:
        raise ValueError(f"{zone} has no offset")
    return int(shift.total_seconds() * 1_000_000)


class LoggerClock:
    """Turns local times of one source into UTC, in the order in which they come.

    A zone with summer time repeats an hour each year. Times in that hour are taken
    as its first run until local time steps back, and as its second run from there.
    """

    def __init__(self, zone: tzinfo) -> None:
        self._zone = zone
        self._fixed = fixed_offset_us(zone)
        self._last = -(2**62)
        self.repeated: list[int] = []
        """Times [µs, UTC] of the last call that lie in an hour that is repeated."""

    @property
    def last_us(self) -> int:
        """Latest time so far [µs, UTC], from which reading can go on later."""
        return self._last

    def go_on_from(self, last_us: int) -> None:
        """Go on as if times up to ``last_us`` had been read."""
        self._last = last_us

    def to_utc(self, local: Micros) -> Micros:
        """Local microseconds to UTC microseconds, shape (n,)."""
        self.repeated = []
        if self._fixed is not None:
            return local - self._fixed
        if len(local) == 0:
            return local
        hour = 3600 * SECOND // 4
        quarters, where = np.unique(local // hour, return_inverse=True)
        first = np.array([self._offset(int(q) * hour, 0) for q in quarters])[where]
        second = np.array([self._offset(int(q) * hour, 1) for q in quarters])[where]
        utc = np.asarray(local - first)
        for i in np.flatnonzero(first != second):
            before = self._last if i == 0 else max(self._last, int(utc[:i].max()))
            if first[i] > second[i] and utc[i] < before:
                utc[i] = local[i] - second[i]
            if first[i] > second[i]:
                self.repeated.append(int(utc[i]))
        self._last = max(self._last, int(utc.max()))
        return utc

    def _offset(self, local: int, fold: int) -> int:
        naive = _NAIVE_EPOCH + timedelta(microseconds=local)
        aware = naive.replace(tzinfo=self._zone, fold=fold)
        return local - to_micros(aware.astimezone(UTC))


def check_clocks(file: StationFile, store: Store) -> None:
    """Hold the clocks of folders against those by which stored records were read.

    Raises
    ------
    CommandError
        One is another now: the same lines would be taken once more, at other times.
    """
    station = file.station
    marks = Marks(store, station.id)
    stored = bool(Journal(store, station.id, file.archive).extent())
    for source in station.sources:
        if not isinstance(source, FolderSource):
            continue
        name, clock = f"clock: {source.path}", source.clock or station.station.clock
        before = marks.get(name)
        if stored and before is not None and before != clock:
            raise CommandError(
                f"{file.path}: the clock of {source.path!r} is {clock!r} now, and was {before!r}"
                " when its stored records were read: they would stand there twice. Put it back;"
                " or read all files into a new database; or give files of another clock a folder"
                " and a [[sources]] of their own"
            )
        if before != clock:
            marks.put(name, clock)
