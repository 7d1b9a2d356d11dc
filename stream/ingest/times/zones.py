"""What the words in a column of time zones say: offsets, abbreviations, names of zones."""

import re
from datetime import UTC, datetime, timedelta, tzinfo
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo, available_timezones

import numpy as np
from numpy.typing import NDArray

from stream.errors import RecordError
from stream.times import SECOND, to_micros

Micros = NDArray[np.int64]

_ALIKE: Final = {"MEZ": "CET", "MESZ": "CEST", "MET": "CET", "MEST": "CEST"}
_TIMES: Final = frozenset(("CET", "MET", "EET", "WET"))
"""Names of a standard time that the zone database takes as zones with summer time."""
_YEARS: Final = range(2000, 2038)
_PLACES: Final = ("Europe", "America", "Australia", "Pacific", "Asia", "Africa")
"""Where an example of a zone is looked for first."""
_OFFSET: Final = re.compile(
    r"^(?:(?:UTC|GMT)\s?)?(?P<sign>[+-]?)(?:(?P<h>\d{1,2})(?::(?P<m>\d{2}))?|(?P<hh>\d{2})(?P<mm>\d{2}))$",
    re.ASCII,
)
_QUARTER_US: Final = 900 * SECOND
_NAIVE_EPOCH: Final = datetime(1970, 1, 1)  # noqa: DTZ001 - local times are counted from here


class UnknownZone(RecordError):
    """A word for a zone that does not say how far it is from UTC."""


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
