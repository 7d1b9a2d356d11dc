"""When to settle: soon after a lid has moved, now and then otherwise."""

import time
from typing import Final

import numpy as np

from stream.ingest.batches import Batch
from stream.station import Station
from stream.times import SECOND

_SOON_S: Final = 0.25
_SELDOM_S: Final = 10.0
_SHARE: Final = 3.0
"""A settlement is followed by a pause of so many times its length, so that a long backlog
is taken in for the most part and settled now and then."""


class SettleWhen:
    """Decides when new records are settled."""

    def __init__(self, station: Station) -> None:
        self._lids = {c.lid_channel for c in station.chambers if c.lid_channel}
        self._margin_us = round((station.closure.bounce_s + 2.0) * SECOND)
        self._last: dict[str, float] = {}
        self._hot_until_us = -(2**62)
        self._newest_us = -(2**62)
        self._cold_us = -(2**62)
        self._waiting = True
        self._not_before = 0.0
        self._settled_at = time.monotonic()

    def saw(self, batch: Batch) -> None:
        """Take note of records that were committed."""
        if not len(batch):
            self._waiting = self._waiting or bool(batch.rejects or batch.untrusted)
            return
        self._waiting = True
        self._newest_us = max(self._newest_us, int(batch.times[-1]))
        for channel in self._lids.intersection(batch.channels):
            values = batch.values[:, batch.channels.index(channel)]
            rows = np.flatnonzero(~np.isnan(values))
            if not len(rows):
                continue
            states = values[rows]
            before = self._last.get(channel, float(states[0]))
            self._last[channel] = float(states[-1])
            moved = np.flatnonzero(np.diff(states, prepend=before))
            if len(moved):
                edge = int(batch.times[rows[moved[-1]]])
                self._hot_until_us = max(self._hot_until_us, edge + self._margin_us)

    def expect(self) -> None:
        """Take note that there is something to settle soon, though no record came."""
        self._waiting = True
        self._settled_at = -_SELDOM_S

    def due(self, *, more_waits: bool = False) -> bool:
        """Whether to settle now; not soon while more records wait to be taken, since those
        of another logger may belong to the same closures.
        """
        now = time.monotonic()
        if not self._waiting or now < self._not_before:
            return False
        if now - self._settled_at >= _SELDOM_S:
            return True
        return not more_waits and self._hot_until_us > self._cold_us

    def wait_s(self) -> float:
        """How long nothing need be done, if nothing comes [s]."""
        now = time.monotonic()
        if not self._waiting:
            return 1.0
        soon = self._not_before if self._hot_until_us > self._cold_us else 0.0
        return min(1.0, max(0.01, (soon or self._settled_at + _SELDOM_S) - now))

    def settled(self, seconds: float) -> None:
        """Take note of a settlement that took so long."""
        now = time.monotonic()
        self._settled_at = now
        self._not_before = now + max(_SOON_S, _SHARE * seconds)
        self._waiting = False
        # Records up to here were seen; an edge is done with once they reach past it.
        self._cold_us = self._newest_us
