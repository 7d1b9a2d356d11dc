"""Local times of one source into UTC, in the order in which they come."""

from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.station import fixed_offset_us
from stream.times import SECOND, to_micros

Micros = NDArray[np.int64]
_NAIVE_EPOCH: Final = datetime(1970, 1, 1)  # noqa: DTZ001 - local times are counted from here


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
