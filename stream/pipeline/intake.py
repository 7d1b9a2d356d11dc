"""Batches into the journal: what is new is kept, what is known already changes nothing."""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Final

import numpy as np

from stream.records import (
    DAY,
    OFF,
    SECOND,
    WRITTEN_TWICE,
    Batch,
    ClockDoubt,
    Reject,
    disagreement,
    rfc3339,
)
from stream.store.changes import Changes, Row
from stream.store.journal import Journal, encode
from stream.store.writer import Writer, Written

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
        batch = self.unseen(self._kept(batch))
        doubtful = doubtful_minutes(batch)
        settled: list[Row] = [] if batch.settled is None else [asdict(batch.settled)]
        if not (len(batch) or batch.rejects or positions or doubtful or settled):
            return Written()
        changes = Changes(
            rejects=[quarantine_row(r) for r in batch.rejects],
            positions=list(positions),
            clock_events=doubtful,
            date_orders=settled,
        )
        spans = self._unsettled
        if doubtful:
            minutes = [row["at_us"] for row in doubtful]
            spans = changes.unsettled = join_spans([*spans, (min(minutes), max(minutes) + MINUTE)])
        if len(batch):
            block = encode(batch.source, batch.channels, batch.times, batch.values)
            changes.blocks.append(block)
            spans = join_spans([*spans, (block.first_us, block.last_us)])
            changes.unsettled = spans
        written = self._writer.commit(changes)
        self._unsettled = spans
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


def join_spans(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans in order, those that touch or lie within a day of one another joined."""
    joined: list[tuple[int, int]] = []
    for first, last in sorted(spans):
        if joined and first - joined[-1][1] <= _JOIN_US:
            joined[-1] = (joined[-1][0], max(joined[-1][1], last))
        else:
            joined.append((first, last))
    return joined


def doubtful_minutes(batch: Batch) -> list[Row]:
    """Rows for the minutes in which the clock of a batch's source is in doubt."""
    doubts = list(batch.doubts)
    twice = sorted({r.at_us for r in batch.rejects if r.at_us is not None})
    if twice:
        times = np.array(twice, dtype=np.int64)
        doubts.append(ClockDoubt(WRITTEN_TWICE, times, np.full(len(times), np.nan)))
    channels = json.dumps(sorted(batch.channels))
    rows: list[Row] = []
    for doubt in doubts:
        minutes, first = np.unique(doubt.times // MINUTE * MINUTE, return_index=True)
        rows += [
            {
                "kind": doubt.kind,
                "source": batch.source,
                "at_us": int(minute),
                "channels": channels,
                "shift_s": float(doubt.shift_s[i]),
            }
            for minute, i in zip(minutes, first, strict=True)
        ]
    return rows


def quarantine_row(reject: Reject) -> Row:
    """A reject as a row; the same line with the same reason has the same key."""
    return {
        "digest": reject_digest(reject),
        "source": reject.source,
        "line": reject.line,
        "reason": reject.reason,
        "text": reject.text,
    }


def reject_digest(reject: Reject) -> str:
    """Key of a quarantined line."""
    content = "\0".join((reject.source, str(reject.line), reject.reason, reject.text))
    return hashlib.blake2b(content.encode(), digest_size=16).hexdigest()
