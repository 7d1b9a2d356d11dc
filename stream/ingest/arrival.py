"""Clocks of live sources against the time of arrival."""

import json
from collections import deque
from dataclasses import replace
from typing import Final

import numpy as np

from stream.ingest.batches import OFF, Batch, Reject, UntrustedTimes, row_text
from stream.times import SECOND, rfc3339

AHEAD_S: Final = 2.0
"""A record that is dated later than this after its arrival comes from a clock that is ahead."""
TOO_FAR_AHEAD_S: Final = 600.0
"""One dated later than this is refused, or ``max_clock_offset_s`` where that is more."""
STEADY_S: Final = 2.0
WINDOW_US: Final = 600 * SECOND
FEWEST: Final = 20
MINUTE: Final = 60 * SECOND


def limit_us(max_offset_s: float) -> int:
    """By how much a record may be dated after its arrival [µs], given ``max_clock_offset_s``."""
    return round(max(TOO_FAR_AHEAD_S, max_offset_s) * SECOND)


class ArrivalWatch:
    """Watches one source.

    Live records come a little after their time, always about as much. A source that is
    steadily late by more than ``max_offset_s`` for ten minutes has a clock that is
    behind; one whose delay shrinks is catching up, which is no fault. A record dated
    after its arrival has a clock ahead of it.
    """

    def __init__(self, max_offset_s: float) -> None:
        self._max_offset_s = max_offset_s
        self._limit_us = limit_us(max_offset_s)
        self._newest_us = -(2**62)
        self._delays: deque[tuple[int, float, float]] = deque()
        self._late_by: float | None = None
        self._ahead: deque[tuple[int, int, int]] = deque()
        self.offset_s = float("nan")
        """Arrival minus time of the newest record, the last time one came [s]."""

    @property
    def mostly_ahead(self) -> bool:
        """Whether most rows of the last ten minutes were dated too far ahead."""
        return 2 * sum(n for _, n, _ in self._ahead) > sum(n for _, _, n in self._ahead)

    def is_ahead(self, batch: Batch, arrived_us: int) -> bool:
        """Whether most rows that have come by now are dated too far after their arrival."""
        early = int(np.count_nonzero(batch.times > arrived_us + self._limit_us))
        ahead = early + sum(n for _, n, _ in self._ahead)
        rows = len(batch) + sum(n for _, _, n in self._ahead)
        return ahead >= FEWEST and 2 * ahead > rows

    def without_ahead(self, batch: Batch, arrived_us: int, *, sure: bool = True) -> Batch:
        """Refuse rows that are dated too far after their arrival.

        One such row would make every closure look over and every lid silent. Nothing of
        it is kept but its text, so that it is taken when it comes again after its time.

        Parameters
        ----------
        batch : Batch
        arrived_us : int
            By the clock of this computer [µs].
        sure : bool
            Whether that clock has been confirmed; if not, they are kept whole.
        """
        keep = batch.times <= arrived_us + self._limit_us
        early = int(np.count_nonzero(~keep))
        self._ahead.append((arrived_us, early, len(batch)))
        while abs(self._ahead[0][0] - arrived_us) > WINDOW_US:
            self._ahead.popleft()
        if not early:
            return batch
        refused = []
        for i in np.flatnonzero(~keep):
            at = int(batch.times[i])
            # Without the time of arrival, so that one that is sent again is the same refusal.
            reason = f"time {rfc3339(at)} was ahead of this computer's clock when it came"
            text = row_text(batch.channels, batch.values[i])
            whole = None if sure else (at, arrived_us, _whole(batch, int(i)))
            refused.append(Reject(batch.source, int(batch.lines[i]), reason, text, early=whole))
        return replace(
            batch,
            times=batch.times[keep],
            values=batch.values[keep],
            lines=batch.lines[keep],
            rejects=(*batch.rejects, *refused),
        )

    def saw(self, arrived_us: int, batch: Batch) -> UntrustedTimes | None:
        """Take note of records.

        Parameters
        ----------
        arrived_us : int
            When the last of them came [µs].
        batch : Batch

        Returns
        -------
        UntrustedTimes or None
            About these records.
        """
        if not len(batch):
            return None
        newest = int(batch.times[-1])
        delay = (arrived_us - newest) / SECOND
        if newest > self._newest_us:
            self._newest_us = newest
            self.offset_s = delay
            self._note(arrived_us, delay)
        if delay < -AHEAD_S:
            return self._untrusted(batch, delay)
        if self._late_by is not None and delay > self._max_offset_s:
            return self._untrusted(batch, delay)
        return None

    def _note(self, arrived_us: int, delay: float) -> None:
        """Keep the least and the greatest delay of each second of arrival."""
        delays = self._delays
        if delays and arrived_us < delays[-1][0]:
            delays.clear()  # this computer's own clock was set back
        while delays and delays[0][0] <= arrived_us - WINDOW_US:
            delays.popleft()
        if delays and arrived_us - delays[-1][0] < SECOND:
            at, least, most = delays.pop()
            delays.append((at, min(least, delay), max(most, delay)))
            return
        delays.append((arrived_us, delay, delay))
        least = min(low for _, low, _ in delays)
        long_enough = arrived_us - delays[0][0] > 0.9 * WINDOW_US
        if len(delays) >= FEWEST and long_enough:
            steady = max(high for *_, high in delays) - least <= STEADY_S
            self._late_by = least if steady and least > self._max_offset_s else None

    def _untrusted(self, batch: Batch, delay: float) -> UntrustedTimes:
        minutes = np.unique(batch.times // MINUTE * MINUTE)
        return UntrustedTimes(OFF, minutes, np.full(len(minutes), -delay))


def _whole(batch: Batch, i: int) -> str:
    cells = zip(batch.channels, batch.values[i].tolist(), strict=True)
    return json.dumps({channel: value for channel, value in cells if value == value})
