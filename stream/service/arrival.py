"""Clocks of live sources against the time of arrival."""

from typing import Final

import numpy as np

from stream.records import DAY, OFF, SECOND, Batch, ClockDoubt, Reject, rfc3339, row_text

AHEAD_S: Final = 2.0
"""A record that is dated later than this after its arrival comes from a clock that is ahead."""
STEADY_S: Final = 2.0
WINDOW_US: Final = 600 * SECOND
FEWEST: Final = 20
MINUTE: Final = 60 * SECOND
_SOFTWARE_BORN_US: Final = 1_767_225_600 * SECOND
"""2026-01-01: a clock that shows less was never set."""


class ArrivalWatch:
    """Watches one source.

    Live records come a little after their time, always about as much. A source that is
    steadily late by more than ``max_offset_s`` for ten minutes has a clock that is
    behind; one whose delay shrinks is catching up, which is no fault. A record dated
    after its arrival has a clock ahead of it.
    """

    def __init__(self, max_offset_s: float) -> None:
        self._max_offset_s = max_offset_s
        self._newest_us = -(2**62)
        self._delays: list[tuple[int, float]] = []
        self._late_by: float | None = None
        self.offset_s = float("nan")
        """Arrival minus time of the newest record, the last time one came [s]."""

    def saw(self, arrived_us: int, batch: Batch) -> ClockDoubt | None:
        """Take note of records.

        Parameters
        ----------
        arrived_us : int
            When the last of them came [µs].
        batch : Batch

        Returns
        -------
        ClockDoubt or None
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
            return self._doubt(batch, delay)
        if self._late_by is not None and delay > self._max_offset_s:
            return self._doubt(batch, delay)
        return None

    def _note(self, arrived_us: int, delay: float) -> None:
        if self._delays and arrived_us < self._delays[-1][0]:
            self._delays = []  # this computer's own clock was set back
        self._delays = [d for d in self._delays if d[0] > arrived_us - WINDOW_US]
        self._delays.append((arrived_us, delay))
        delays = [d for _, d in self._delays]
        long_enough = self._delays[-1][0] - self._delays[0][0] > 0.9 * WINDOW_US
        if len(delays) >= FEWEST and long_enough:
            steady = max(delays) - min(delays) <= STEADY_S
            late = min(delays) > self._max_offset_s
            self._late_by = min(delays) if steady and late else None

    def _doubt(self, batch: Batch, delay: float) -> ClockDoubt:
        minutes = np.unique(batch.times // MINUTE * MINUTE)
        return ClockDoubt(OFF, minutes, np.full(len(minutes), -delay))


def without_the_impossible(batch: Batch, arrived_us: int, latest_us: int | None) -> Batch:
    """Refuse records dated more than a day after their arrival.

    One such record would make every closure look over and every lid silent. It is
    refused only where this computer's clock can be trusted: it was set, and is not
    behind the records that are there already.

    Parameters
    ----------
    batch : Batch
    arrived_us : int
        By the clock of this computer [µs].
    latest_us : int or None
        Latest record in the journal [µs].
    """
    trusted = arrived_us >= max(_SOFTWARE_BORN_US, latest_us or 0)
    if not trusted or not len(batch) or batch.times[-1] <= arrived_us + DAY:
        return batch
    keep = batch.times <= arrived_us + DAY
    refused = [
        Reject(
            batch.source,
            int(batch.lines[i]),
            f"time {rfc3339(int(batch.times[i]))} is over a day after its arrival",
            row_text(batch.channels, batch.values[i]),
        )
        for i in np.flatnonzero(~keep)
    ]
    return Batch(
        batch.source,
        batch.channels,
        batch.times[keep],
        batch.values[keep],
        batch.lines[keep],
        (*batch.rejects, *refused),
        batch.doubts,
    )
