"""Times as loggers write them: RFC 3339, local time without offset, epoch seconds."""

import re
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.errors import RecordError
from stream.records import SECOND, to_micros
from stream.station import fixed_offset_us

Micros = NDArray[np.int64]

_ISO: Final = re.compile(
    r"^(\d{4})-(\d{2})-(\d{2})"
    r"(?:[T ](\d{2})(?::(\d{2})(?::(\d{2})(?:\.(\d{1,9}))?)?)?)?"
    r"(Z|[+-]\d{2}(?::?\d{2})?)?$"
)
_EPOCH: Final = re.compile(r"^-?\d{1,11}(?:\.\d*)?$")
_NAIVE_EPOCH: Final = datetime(1970, 1, 1)  # noqa: DTZ001 - local times are counted from here
_MAX_EPOCH: Final = 99_999_999_999.0


def kind_of(text: str) -> str:
    """How a time is written: ``offset``, ``local``, ``epoch``, or ``''`` for none of these."""
    match = _ISO.match(text)
    if match:
        return "offset" if match[8] else "local"
    return "epoch" if _EPOCH.match(text) else ""


def epoch_to_micros(seconds: NDArray[np.float64]) -> Micros:
    """Epoch seconds, with any fraction, to the nearest microsecond."""
    return np.asarray(np.rint(seconds * SECOND).astype(np.int64))


def parse_time(text: str) -> tuple[int, bool]:
    """Read one time.

    Returns
    -------
    tuple
        Microseconds since 1970, and whether they count local time of the logger's
        clock rather than UTC. Digits beyond the microsecond are cut off.

    Raises
    ------
    RecordError
        It is not a time.
    """
    match = _ISO.match(text)
    if match is None:
        if _EPOCH.match(text):
            return int(epoch_to_micros(np.array([float(text)]))[0]), False
        raise RecordError(f"{text[:40]!r} is not a time")
    year, month, day, hour, minute, second = (int(match[i] or 0) for i in range(1, 7))
    micro = int((match[7] or "0").ljust(9, "0")[:6])
    try:
        moment = datetime(year, month, day, hour, minute, second, micro)  # noqa: DTZ001
    except ValueError as error:
        raise RecordError(f"{text[:40]!r} is not a time: {error}") from None
    local = (moment - _NAIVE_EPOCH) // timedelta(microseconds=1)
    zone = match[8]
    if zone is None:
        return local, True
    if zone == "Z":
        return local, False
    digits = zone[1:].replace(":", "").ljust(4, "0")
    hours, minutes = int(digits[:2]), int(digits[2:])
    if hours > 23 or minutes > 59:
        raise RecordError(f"{text[:40]!r} is not a time: its offset is out of bounds")
    shift = (hours * 3600 + minutes * 60) * SECOND
    return (local - shift if zone[0] == "+" else local + shift), False


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
