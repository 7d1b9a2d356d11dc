"""Batches into the journal: what is new is kept, what is known already changes nothing."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from stream.ingest.batches import OFF, Batch, Reject, disagreement
from stream.ingest.pending import Pending
from stream.store.journal.journal import Journal
from stream.store.results.changes import Row
from stream.store.results.writer import Writer, Written
from stream.times import DAY, SECOND, rfc3339

MINUTE: Final = 60 * SECOND
_JOIN_US: Final = DAY
"""Unsettled spans closer than this are settled as one."""


class Intake:
    """Takes batches of one station, one commit each."""

    def __init__(self, journal: Journal, writer: Writer) -> None:
        self._journal = journal
        self._writer = writer
        self.refresh()

    def refresh(self) -> None:
        """Look again at what the database holds: after a commit of unknown outcome, and
        after settlement, which empties the spans.
        """
        self._extent = self._journal.extent()
        self._unsettled = self._journal.unsettled()
        self._kept_from = self._journal.kept_from()

    @property
    def latest_us(self) -> int | None:
        """Latest record of the station [µs]; None without any."""
        return max((last for _, last, _ in self._extent.values()), default=None)

    def take(self, batch: Batch, positions: Sequence[Row] = ()) -> Written:
        """Make a batch durable, with what belongs to it, in one commit.

        Records that the journal holds already are dropped; one that disagrees with
        the record held for the same channel and time goes to quarantine.

        Parameters
        ----------
        batch : Batch
        positions : sequence of rows
            How far the files have been read that the batch came from.

        Returns
        -------
        Written
            What the commit changed.
        """
        return self.take_all([(batch, positions)])

    def take_all(self, pieces: Iterable[tuple[Batch, Sequence[Row]]]) -> Written:
        """Make several batches durable as :meth:`take` would one by one, in fewer commits.

        Batches whose records may meet are not committed together.
        """
        written = Written()
        pending = Pending()
        for batch, positions in pieces:
            batch = self._kept(batch)
            if pending.may_meet(batch):
                written.update(self._commit(pending))
                pending = Pending()
            pending.add(self.unseen(batch), positions)
        written.update(self._commit(pending))
        return written

    def _commit(self, pending: Pending) -> Written:
        changes = pending.changes(self._unsettled)
        if changes is None:
            return Written()
        written = self._writer.commit(changes)
        if changes.unsettled is not None:
            self._unsettled = changes.unsettled
        for block in changes.blocks:
            for channel, (first, last, n) in block.records.items():
                a, b, m = self._extent.get(channel, (first, last, 0))
                self._extent[channel] = (min(a, first), max(b, last), m + n)
        return written

    def _kept(self, batch: Batch) -> Batch:
        """Without records of days that retention has removed: they cannot be told from new."""
        if self._kept_from is None or not len(batch) or batch.times[0] >= self._kept_from:
            return batch
        keep = batch.times >= self._kept_from
        first = int(np.argmin(keep))
        reason = f"records before {rfc3339(self._kept_from)} were removed by archive.keep_days"
        text = f"{np.count_nonzero(~keep)} rows from {rfc3339(int(batch.times[first]))}"
        refused = Reject(batch.source, int(batch.lines[first]), reason, text)
        return replace(
            batch,
            times=batch.times[keep],
            values=batch.values[keep],
            lines=batch.lines[keep],
            rejects=(*batch.rejects, refused),
        )

    def unseen(self, batch: Batch) -> Batch:
        """The batch without the records that the journal holds."""
        if not len(batch):
            return batch
        first, last = int(batch.times[0]), int(batch.times[-1])
        known = [
            channel
            for channel in batch.channels
            if channel in self._extent
            and self._extent[channel][0] <= last
            and self._extent[channel][1] >= first
        ]
        if not known:
            return batch
        held = self._journal.read(known, first, last)
        values = batch.values.copy()
        rejects: list[Reject] = []
        for channel in known:
            series = held[channel].filled()
            if not len(series.times):
                continue
            j = batch.channels.index(channel)
            at = np.minimum(np.searchsorted(series.times, batch.times), len(series.times) - 1)
            match = (series.times[at] == batch.times) & ~np.isnan(values[:, j])
            for i in np.flatnonzero(match & (values[:, j] != series.values[at])):
                rejects.append(
                    disagreement(
                        batch.source,
                        int(batch.lines[i]),
                        channel,
                        int(batch.times[i]),
                        values[i, j],
                        series.values[at[i]],
                    )
                )
            values[match, j] = np.nan
        keep = ~np.isnan(values).all(axis=1)
        times = batch.times[keep]
        # A clock is judged by what is new: a file that is read again proves nothing.
        fresh = [np.isin(d.times, times) | (d.kind == OFF) for d in batch.doubts]
        return replace(
            batch,
            times=times,
            values=values[keep],
            lines=batch.lines[keep],
            rejects=(*batch.rejects, *rejects),
            doubts=tuple(
                replace(d, times=d.times[f], shift_s=d.shift_s[f])
                for d, f in zip(batch.doubts, fresh, strict=True)
                if f.any()
            ),
        )
