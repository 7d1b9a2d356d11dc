"""Times as loggers and spreadsheets write them, cell by cell; and local times into UTC.

What a cell means depends on the cell alone, but for one thing: whether 03.04. is in March
or in April. That order is given with the cell, and a cell that needs it and has none is
:class:`AmbiguousDate`.
"""

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from functools import lru_cache
from typing import Any, Final, Literal, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from stream.errors import RecordError
from stream.times import DAY, SECOND, to_micros

Micros = NDArray[np.int64]
DateOrder = Literal["dmy", "mdy", "ymd"]

_TIME: Final = (
    r"(?P<hour>\d{1,2})(?::(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,](?P<fraction>\d{1,9}))?)?)?"
    r"(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?"
)
_ZONE: Final = r"(?:\s*(?P<zone>Z|UTC|GMT|[+-]\d{2}(?::?\d{2})?))?"
_REST: Final = rf"(?:(?:T|,?\s+){_TIME})?{_ZONE}$"
_MONTH: Final = r"(?P<name>[A-Za-z]{3,9})\.?"
_FORMS: Final = (
    re.compile(r"^(?P<a>\d{4})([-/.])(?P<b>\d{1,2})\2(?P<c>\d{1,2})" + _REST, re.ASCII),
    re.compile(r"^(?P<a>\d{1,2})([-/.])(?P<b>\d{1,2})\2(?P<c>\d{4}|\d{2})" + _REST, re.ASCII),
    re.compile(rf"^(?P<a>\d{{1,2}})[-/. ]?{_MONTH}[-/. ]?(?P<c>\d{{4}})" + _REST, re.ASCII),
    re.compile(rf"^{_MONTH} (?P<a>\d{{1,2}}),? (?P<c>\d{{4}})" + _REST, re.ASCII),
    re.compile(
        r"^(?P<a>(?:19|20)\d{2})(?P<b>\d{2})(?P<c>\d{2})"
        r"(?:[T ]?(?P<hour>\d{2})(?P<minute>\d{2})"
        r"(?:(?P<second>\d{2})(?:[.,](?P<fraction>\d{1,9}))?)?)?" + _ZONE + "$",
        re.ASCII,
    ),
)
_COMPACT: Final = 4
_OPEN: Final = re.compile(rb"(?<!\d)\d{1,2}([-/.])\d{1,2}\1\d{2}")
"""What any date has whose order is open: the second of the forms."""
_OF_DAY: Final = re.compile(
    r"^(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,](?P<fraction>\d{1,9}))?)?"
    rf"(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?{_ZONE}$",
    re.ASCII,
)
_PLAIN_ISO: Final = re.compile(
    r"^\d{4}-\d{2}-\d{2}(?:[T ]\d{2}(?::\d{2}(?::\d{2}(?:\.\d{1,9})?)?)?)?"
    r"(Z|[+-]\d{2}(?::?\d{2})?)?$",
    re.ASCII,
)
_NUMBER: Final = re.compile(r"^-?\d{1,19}(?:[.,]\d*)?$", re.ASCII)
_COUNT: Final = re.compile(r"^\d{5,19}[.,]\d+$", re.ASCII)
_NAIVE_EPOCH: Final = datetime(1970, 1, 1)  # noqa: DTZ001 - local times are counted from here
_MONTHS: Final = {
    name[:3]: n
    for n, name in enumerate(
        ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"), 1
    )
}
_LONG_MONTHS: Final = (
    "january february march april may june july august september october november december sept"
)
SPREADSHEET: Final = (36_526.0, 73_051.0)
"""Spreadsheet days from 2000 to 2100, counted from 1899-12-30."""
FIRST_S, LAST_S = 946_684_800, 4_102_444_800
SCALES: Final = ((1, 1_000_000), (1_000, 1_000), (1_000_000, 1))
"""Units of a second in a number since 1970, and microseconds in each."""

_SINCE: Final = re.compile(
    r"^(days|hours|minutes|seconds|milliseconds|microseconds|nanoseconds) since (.+)$"
)
_UNIT_US: Final = {
    "days": 86_400e6, "hours": 3_600e6, "minutes": 60e6, "seconds": 1e6,
    "milliseconds": 1e3, "microseconds": 1.0, "nanoseconds": 1e-3,
}  # fmt: skip


class AmbiguousDate(RecordError):
    """A date whose order of day, month and year must be known first."""


class StampDate(NamedTuple):
    """The three numbers of a date as they stand, and whether their order is known."""

    numbers: tuple[int, int, int]
    orders: tuple[DateOrder, ...]


@dataclass(frozen=True, slots=True)
class Since:
    """A number counted from a moment: ``days since 1899-12-30``."""

    unit_us: float
    from_us: int
    local: bool


@lru_cache(maxsize=64)
def read_since(text: str) -> Since | None:
    """Units of time as CF writes them; None where the text is something else.

    Raises
    ------
    RecordError
        What stands behind "since" is not a time.
    """
    match = _SINCE.match(text)
    if match is None:
        return None
    from_us, local = parse_time(match[2])
    # Seconds since 1970 count UTC; what a spreadsheet counts is the clock on the wall.
    return Since(_UNIT_US[match[1]], from_us, local and match[1] == "days")


def kind_of(text: str) -> str:
    """How the fast way reads a time: ``offset``, ``local``, ``epoch``, ``stamp`` for any
    other that is understood, ``''`` for none.
    """
    match = _PLAIN_ISO.match(text)
    if match:
        return "offset" if match[1] else "local"
    if _NUMBER.match(text) and _date_of(text) is None:
        return "epoch"
    return "stamp" if is_stamp(text) else ""


def is_stamp(text: str) -> bool:
    """Whether a cell is a date, with or without a time of day, in any order."""
    return _date_of(text) is not None


def is_date(text: str) -> bool:
    """Whether a cell is a date without a time of day."""
    found = match_stamp(text)
    return found is not None and found["hour"] is None


def is_time_of_day(text: str) -> bool:
    """Whether a cell is a time of day without a date."""
    return _OF_DAY.match(text) is not None


def is_count(text: str) -> bool:
    """Whether a cell is a long number with a fraction: of days or seconds since some moment,
    while 13.45 may be a quarter to two.
    """
    return _COUNT.match(text) is not None


def match_stamp(text: str) -> re.Match[str] | None:
    """The parts of a date, with or without a time of day; None for anything else."""
    return next((m for form in _FORMS if (m := form.match(text))), None)


def _date_of(text: str) -> StampDate | None:
    match = match_stamp(text)
    return None if match is None else numbers_of(match)


def numbers_of(match: re.Match[str]) -> StampDate | None:
    """The date of a match; None where its month is no month."""
    form = _FORMS.index(match.re)
    a, c = int(match["a"]), int(match["c"])
    if form in (2, 3):
        name = match["name"].lower()
        month = _MONTHS.get(name[:3])
        if month is None or (len(name) > 3 and name not in _LONG_MONTHS.split()):
            return None
        return StampDate((a, month, c), ("dmy",))
    if form in (0, _COMPACT):
        return StampDate((a, int(match["b"]), c), ("ymd",))
    # Nobody writes a year of two digits first and points behind it.
    year_may_lead = len(match["c"]) == 2 and match[2] != "."
    orders: tuple[DateOrder, ...] = ("dmy", "mdy", "ymd") if year_may_lead else ("dmy", "mdy")
    return StampDate((a, int(match["b"]), c), orders)


def orders_of(text: str) -> tuple[DateOrder, ...]:
    """Orders of day, month and year that the shape of a date leaves open."""
    date = _date_of(text)
    return () if date is None else date.orders


def may_be_open(text: bytes) -> bool:
    """Whether dates like 03.04.2026 may stand in a text; quick, and never wrong about none."""
    return _OPEN.search(text) is not None


def date_shape(text: str) -> str:
    """What tells one way of writing dates from another: 03.04.2026 → ``.4``."""
    match = match_stamp(text)
    return "" if match is None else f"{match[2]}{len(match['c'])}"


@lru_cache(maxsize=4096)
def _day(numbers: tuple[int, int, int], order: DateOrder) -> int | None:
    year, month, day = (numbers[order.index(part)] for part in "ymd")
    if year < 100:
        year += 2000
    try:
        return (datetime(year, month, day) - _NAIVE_EPOCH).days  # noqa: DTZ001
    except ValueError:
        return None


def parse_time(
    text: str, order: DateOrder | None = None, form: str | None = None
) -> tuple[int, bool]:
    """Read one time.

    Parameters
    ----------
    text : str
        The cell, without blanks at its ends; a date and a time of day with a blank
        between them where they stand in two columns.
    order : {'dmy', 'mdy', 'ymd'}, optional
        Of dates like 03.04.2026.
    form : str, optional
        A ``strptime`` pattern, or units as CF writes them; nothing else is then a time.

    Returns
    -------
    tuple
        Microseconds since 1970, and whether they count local time of the logger's
        clock rather than UTC. Digits beyond the microsecond are cut off.

    Raises
    ------
    AmbiguousDate
        The order is needed and not given.
    RecordError
        It is not a time.
    """
    if form is not None:
        return _by_form(text, form)
    match = match_stamp(text)
    date = None if match is None else numbers_of(match)
    if match is None or date is None:
        if _NUMBER.match(text):
            return _number_to_micros(text)
        raise RecordError(f"{text[:40]!r} is not a time")
    if len(date.orders) > 1:
        if order is None:
            raise AmbiguousDate(f"{text[:40]!r} may have its day or its month first")
        known = order
    else:
        known = date.orders[0]
    day = _day(date.numbers, known) if known in date.orders else None
    if day is None:
        told = f" in the order {known}" if len(date.orders) > 1 else ""
        raise RecordError(f"{text[:40]!r} is not a time{told}")
    parts = match.groupdict()
    micros = day * DAY + _of_day(parts, text)
    shift = _shift(parts["zone"], text)
    return (micros, True) if shift is None else (micros - shift, False)


def _of_day(parts: dict[str, Any], text: str) -> int:
    """Microseconds of the day."""
    hour, minute, second = (int(parts[p] or 0) for p in ("hour", "minute", "second"))
    if half := parts.get("half"):
        if not 1 <= hour <= 12:
            raise RecordError(f"{text[:40]!r} is not a time: hour {hour} of a half day")
        hour = hour % 12 + (12 if half in "pP" else 0)
    micro = int((parts["fraction"] or "0").ljust(9, "0")[:6])
    whole = hour == 24 and not (minute or second or micro)
    if (hour > 23 and not whole) or minute > 59 or second > 59:
        raise RecordError(f"{text[:40]!r} is not a time: its clock is out of bounds")
    return (hour * 3600 + minute * 60 + second) * SECOND + micro


def _shift(zone: str | None, text: str) -> int | None:
    """Offset from UTC [µs]; None where the cell bears none."""
    if zone is None:
        return None
    if zone in ("Z", "UTC", "GMT"):
        return 0
    digits = zone[1:].replace(":", "").ljust(4, "0")
    hours, minutes = int(digits[:2]), int(digits[2:])
    if hours > 23 or minutes > 59:
        raise RecordError(f"{text[:40]!r} is not a time: its offset is out of bounds")
    shift = (hours * 3600 + minutes * 60) * SECOND
    return shift if zone[0] == "+" else -shift


def _number_to_micros(text: str) -> tuple[int, bool]:
    """A number by its size: spreadsheet days, or a count since 1970."""
    whole, _, part = text.replace(",", ".").partition(".")
    count = int(whole)
    if SPREADSHEET[0] <= count < SPREADSHEET[1]:
        return _spreadsheet(float(f"{whole}.{part or 0}")), True
    for per_second, micros in SCALES[1:]:
        if FIRST_S * per_second <= count < LAST_S * per_second:
            scaled = int(whole) * micros
            return scaled + round(float(f"0.{part or 0}") * micros), False
    if FIRST_S * 10**9 <= count < LAST_S * 10**9:
        return int(whole) // 1000, False
    if abs(count) >= 10**11:
        raise RecordError(f"{text[:40]!r} is not a time between 2000 and 2100")
    return round(float(f"{whole}.{part or 0}") * SECOND), False


def _spreadsheet(days: float) -> int:
    """Days since 1899-12-30 to local microseconds, to the millisecond: a spreadsheet's
    number has no more.
    """
    return round((days - 25_569.0) * 86_400_000.0) * 1000


def _by_form(text: str, form: str) -> tuple[int, bool]:
    since = read_since(form)
    if since is not None:
        try:
            count = float(text.replace(",", "."))
        except ValueError:
            raise RecordError(f"{text[:40]!r} is not a number of {form}") from None
        if not abs(count) < 1e19:
            raise RecordError(f"{text[:40]!r} is not a number of {form}")
        micros = since.from_us + round(count * since.unit_us)
        return (round(micros / 1000) * 1000 if since.unit_us == 86_400e6 else micros), since.local
    try:
        moment = datetime.strptime(text, form)  # noqa: DTZ007 - the clock is put to it later
    except ValueError:
        raise RecordError(f"{text[:40]!r} is not a time of the form {form}") from None
    if moment.tzinfo is not None:
        return to_micros(moment), False
    return (moment - _NAIVE_EPOCH) // timedelta(microseconds=1), True


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
