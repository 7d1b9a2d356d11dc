"""Batches into the journal: what is new is kept, what is known already changes nothing.

Batches that wait for one commit are gathered in :class:`Pending`.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, replace
from itertools import pairwise
from typing import Final

import numpy as np

from stream.errors import CommandError
from stream.ingest.batches import OFF, WRITTEN_TWICE, Batch, Reject, UntrustedTimes, disagreement
from stream.station import FolderSource, StationFile
from stream.store import Store
from stream.store.journal.blocks import encode
from stream.store.journal.journal import Journal
from stream.store.results.changes import Block, Changes, Row
from stream.store.results.writer import Writer, Written
from stream.store.station_data import Marks
from stream.times import DAY, SECOND, rfc3339

MINUTE: Final = 60 * SECOND
_JOIN_US: Final = DAY
"""Unsettled spans closer than this are settled as one."""
_MOST_ROWS: Final = 32_768
"""Of a block that is made of several batches."""


class Pending:
    """Gathers batches; small ones of one day become one block."""

    def __init__(self) -> None:
        self._changes = Changes()
        self._spans: list[tuple[int, int]] = []
        self._positions: dict[tuple[object, object], Row] = {}
        self._taken: dict[str, tuple[int, int]] = {}
        self._small: dict[tuple[tuple[str, ...], int], list[Batch]] = {}
        self._small_rows: dict[tuple[tuple[str, ...], int], int] = {}

    def may_meet(self, batch: Batch) -> bool:
        """Whether a batch may hold a record that is among those that wait."""
        if not len(batch):
            return False
        first, last = int(batch.times[0]), int(batch.times[-1])
        taken = (self._taken[c] for c in batch.channels if c in self._taken)
        return any(a <= last and b >= first for a, b in taken)

    def add(self, batch: Batch, positions: Sequence[Row]) -> None:
        """Take a batch in; it meets none of those before."""
        events = clock_events(batch)
        self._changes.rejects += [quarantine_row(r) for r in batch.rejects]
        self._changes.early += [early_row(r) for r in batch.rejects if r.early is not None]
        self._changes.early_taken += batch.early
        self._changes.clock_events += events
        if batch.settled is not None:
            self._changes.date_orders.append(asdict(batch.settled))
        for row in positions:
            self._positions[row["folder"], row["name"]] = row
        if events:
            minutes = [row["at_us"] for row in events]
            self._spans.append((min(minutes), max(minutes) + MINUTE))
        for part in _without_holes(batch):
            self._add_records(part)

    def _add_records(self, batch: Batch) -> None:
        first, last = int(batch.times[0]), int(batch.times[-1])
        self._spans.append((first, last))
        for channel in batch.channels:
            a, b = self._taken.get(channel, (first, last))
            self._taken[channel] = (min(a, first), max(b, last))
        if first // DAY != last // DAY or len(batch) >= _MOST_ROWS:
            self._changes.blocks.append(_block([batch]))
            return
        key = (batch.channels, first // DAY)
        small = self._small.setdefault(key, [])
        rows = self._small_rows.get(key, 0) + len(batch)
        if rows > _MOST_ROWS and small:
            self._changes.blocks.append(_block(small))
            small.clear()
            rows = len(batch)
        small.append(batch)
        self._small_rows[key] = rows

    def changes(self, unsettled: list[tuple[int, int]]) -> Changes | None:
        """What the commit changes, given the spans unsettled before it; None: nothing."""
        changes = self._changes
        changes.blocks += [_block(batches) for batches in self._small.values()]
        self._small.clear()
        self._small_rows.clear()
        changes.positions = list(self._positions.values())
        if self._spans:
            changes.unsettled = join_spans([*unsettled, *self._spans])
        some = changes.rejects or changes.positions or changes.date_orders or changes.early_taken
        return changes if self._spans or some else None


def _without_holes(batch: Batch) -> Iterator[Batch]:
    """Parts of a batch between which there is more than a day of silence, so that a block
    does not claim the years up to a record that strays.
    """
    if not len(batch):
        return
    holes = np.flatnonzero(np.diff(batch.times) > DAY) + 1
    if not len(holes):
        yield batch
        return
    for a, b in pairwise([0, *holes.tolist(), len(batch)]):
        yield replace(
            batch, times=batch.times[a:b], values=batch.values[a:b], lines=batch.lines[a:b]
        )


def _block(batches: list[Batch]) -> Block:
    """Batches of the same channels, none of which meets another, as one block."""
    inside = sorted(batches, key=lambda b: int(b.times[0]))
    source = "; ".join(dict.fromkeys(b.source for b in inside))
    times = np.concatenate([b.times for b in inside])
    values = inside[0].values
    if len(inside) > 1:
        values = np.asfortranarray(np.concatenate([b.values for b in inside]))
    return encode(source, inside[0].channels, times, values)


def join_spans(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans in order, those that touch or lie within a day of one another joined."""
    joined: list[tuple[int, int]] = []
    for first, last in sorted(spans):
        if joined and first - joined[-1][1] <= _JOIN_US:
            joined[-1] = (joined[-1][0], max(joined[-1][1], last))
        else:
            joined.append((first, last))
    return joined


def clock_events(batch: Batch) -> list[Row]:
    """Rows for the minutes in which the clock of a batch's source is in each."""
    untrusted = list(batch.untrusted)
    twice = sorted({r.at_us for r in batch.rejects if r.at_us is not None})
    if twice:
        times = np.array(twice, dtype=np.int64)
        untrusted.append(UntrustedTimes(WRITTEN_TWICE, times, np.full(len(times), np.nan)))
    channels = json.dumps(sorted(batch.channels))
    rows: list[Row] = []
    for each in untrusted:
        minutes, first = np.unique(each.times // MINUTE * MINUTE, return_index=True)
        rows += [
            {
                "kind": each.kind,
                "source": batch.source,
                "at_us": int(minute),
                "channels": channels,
                "shift_s": float(each.shift_s[i]),
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


def early_row(reject: Reject) -> Row:
    """A reject that may be taken after all, whole."""
    assert reject.early is not None
    at_us, arrived_us, content = reject.early
    return {
        "digest": reject_digest(reject),
        "source": reject.source,
        "at_us": at_us,
        "arrived_us": arrived_us,
        "content": content,
    }


def reject_digest(reject: Reject) -> str:
    """Key of a quarantined line."""
    content = "\0".join((reject.source, str(reject.line), reject.reason, reject.text))
    return hashlib.blake2b(content.encode(), digest_size=16).hexdigest()


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

    def take_all(self, batches: Iterable[tuple[Batch, Sequence[Row]]]) -> Written:
        """Make several batches durable as :meth:`take` would one by one, in fewer commits.

        Batches whose records may meet are not committed together.
        """
        written = Written()
        pending = Pending()
        for batch, positions in batches:
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
        fresh = [np.isin(d.times, times) | (d.kind == OFF) for d in batch.untrusted]
        return replace(
            batch,
            times=times,
            values=values[keep],
            lines=batch.lines[keep],
            rejects=(*batch.rejects, *rejects),
            untrusted=tuple(
                replace(d, times=d.times[f], shift_s=d.shift_s[f])
                for d, f in zip(batch.untrusted, fresh, strict=True)
                if f.any()
            ),
        )


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
