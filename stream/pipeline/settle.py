"""Unsettled records become results. What is stored is a function of the journal alone,
so that it does not matter in which pieces, or in which order, the records came.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stream import __version__
from stream.pipeline.evaluate import (
    PORT_HOLD_US,
    Event,
    digest_of,
    evaluate,
    port_runs,
    precision_nmol,
    unfinished,
)
from stream.pipeline.samples import analyzer_channels, samples_of, to_canonical
from stream.pipeline.segment import (
    Anchor,
    LidStretch,
    events_of,
    gaps_of,
    micros,
    read_lids,
)
from stream.records import DAY, SECOND
from stream.science.flags import quality
from stream.science.lid import NO_RUNS, join_runs
from stream.science.visits import port_visits, visit_values
from stream.science.window import select
from stream.station import Analyzer, StationFile
from stream.store.anchors import AnchorReader
from stream.store.changes import Changes, Result, Stretch
from stream.store.journal import Journal
from stream.store.writer import Writer, Written

Progress = Callable[[float], None]
"""Told how many days of records were settled since it was last told."""


@dataclass(frozen=True, slots=True)
class Settled:
    """What a settlement changed."""

    closures: int = 0
    revised: int = 0
    withdrawn: int = 0
    pending: int = 0


class Settlement:
    """Settles the records of one station."""

    def __init__(
        self, file: StationFile, journal: Journal, anchors: AnchorReader, writer: Writer
    ) -> None:
        self._file = file
        self._station = file.station
        self._journal = journal
        self._anchors = anchors
        self._writer = writer

    def settle(self, *, force: bool = False, progress: Progress | None = None) -> Settled:
        """Settle every unsettled span; one commit a day of closures.

        Parameters
        ----------
        force : bool
            Make new revisions also of results that come out the same.
        progress : callable, optional
            Called with days of records.

        Returns
        -------
        Settled
        """
        spans = self._journal.unsettled()
        extent = self._journal.extent()
        if not spans or not extent:
            return Settled()
        start = min(first for first, _, _ in extent.values())
        until = max(last for _, last, _ in extent.values())
        total = Written()
        pending: list[Result] = []
        for i, span in enumerate(spans):
            latest = i == len(spans) - 1
            for analyzer in self._station.analyzers:
                work = _Work(self, analyzer, span, start, until, extent)
                for changes in work.changes():
                    written = self._commit(changes, force)
                    total = replace(
                        total,
                        new=total.new + written.new,
                        revised=total.revised + written.revised,
                        withdrawn=total.withdrawn + written.withdrawn,
                    )
                if latest:
                    pending += work.pending
            if progress:
                progress((span[1] - span[0]) / DAY)
        self._commit(Changes(unsettled=[], provisional=pending), False)
        return Settled(total.new, total.revised, total.withdrawn, len(pending))

    def _commit(self, changes: Changes, force: bool) -> Written:
        changes.station_digest = self._file.digest
        changes.station_content = self._file.provenance
        changes.software_version = __version__
        changes.force = force
        return self._writer.commit(changes)


class _Work:
    """One analyzer over one unsettled span."""

    def __init__(
        self,
        settlement: Settlement,
        analyzer: Analyzer,
        span: tuple[int, int],
        start_us: int,
        until_us: int,
        extent: dict[str, tuple[int, int, int]],
    ) -> None:
        self._station = settlement._station
        self._journal = settlement._journal
        self._anchors = settlement._anchors
        self._analyzer = analyzer
        self._chambers = self._station.chambers_on(analyzer.id)
        self._span = span
        self._start = start_us
        self._until = until_us
        self._extent = extent
        self.pending: list[Result] = []

    def changes(self) -> Iterator[Changes]:
        """The commits, in order of time."""
        rules = self._station.closure
        reach = micros(rules.bounce_s + 60.0)
        before = self._span[0] - reach
        anchors = {c.id: self._anchor(c.id, before) for c in self._chambers}
        touched = self._span[1] + micros(max(rules.hold_s, 60.0))
        stretches = self._lids(anchors, touched)
        others = [
            found
            for c in self._chambers
            for found in self._anchors.closures_before(
                c.id, anchors[c.id].from_us, min(a.from_us for a in anchors.values())
            )
        ]
        events = events_of(self._station, stretches, others, shared=self._analyzer.shared)
        ready: list[Event] = []
        speaks: list[Stretch] = []
        gaps: list[Result] = []
        for stretch, mine in zip(stretches, events, strict=True):
            after = [c.closed_us for c in stretch.closures if c.closed_us > touched]
            stop = min(after) if after else self._until + 1
            first = stretch.anchor.from_us
            for event in mine:
                if event.lid.closed_us >= stop:
                    continue
                if self._is_over(event):
                    ready.append(event)
                else:
                    self.pending.append(unfinished(event, tuple(self._analyzer.gases)))
            speaks.append(Stretch("closures", stretch.chamber.id, first, stop))
            begun = stretch.anchor.closed_us
            begun = self._start if begun is None else begun
            for due, cause in gaps_of(self._station, stretch, begun, stop, self._until):
                row = {"quality": quality([cause]), "flags": cause}
                gaps.append(Result("gaps", (stretch.chamber.id, due), row, digest_of(row)))
            speaks.append(Stretch("gaps", stretch.chamber.id, begun, stop))
        yield from self._by_day(ready, gaps, speaks)
        if self._analyzer.standards:
            yield self._standards(touched)

    def _anchor(self, chamber: str, before_us: int) -> Anchor:
        found = self._anchors.last_opening(chamber, before_us)
        if found is not None:
            return Anchor(from_us=found[1], closed_us=found[0])
        return Anchor(from_us=self._start, closed_us=None)

    def _lids(self, anchors: dict[str, Anchor], touched_us: int) -> list[LidStretch]:
        """Read far enough that each lid shows a closure later than anything touched."""
        end = min(self._until, touched_us + DAY)
        while True:
            stretches = read_lids(
                self._station, self._chambers, anchors, end, self._until, self._journal
            )
            settled = all(
                any(c.closed_us > touched_us and not c.still_closed for c in s.closures)
                for s in stretches
            )
            if settled or end >= self._until:
                return stretches
            end = min(self._until, end + 4 * (end - touched_us))

    def _is_over(self, event: Event) -> bool:
        """Whether all records that bear on a closure have come, or will not come."""
        lid = event.lid
        if lid.still_closed:
            return False
        needed = lid.opened_us
        channels = list(self._analyzer.gases.values())
        if all(self._extent.get(c, (0, 0, 0))[1] >= needed for c in channels):
            return True
        return self._until > needed + micros(self._station.closure.lateness_s)

    def _by_day(
        self, ready: Sequence[Event], gaps: Sequence[Result], speaks: Sequence[Stretch]
    ) -> Iterator[Changes]:
        """Split into commits by the day on which lids closed, so that memory stays flat."""
        days = {e.lid.closed_us // DAY for e in ready} | {g.identity[1] // DAY for g in gaps}
        days |= {s.first_us // DAY for s in speaks} | {(s.stop_us - 1) // DAY for s in speaks}
        ordered = sorted(days)
        for i, day in enumerate(ordered):
            # Days between carry no result; what was stored for them goes with this one.
            first = day * DAY
            stop = ordered[i + 1] * DAY if i + 1 < len(ordered) else 2**62
            todays = [e for e in ready if e.lid.closed_us // DAY == day]
            results = evaluate(self._station, self._analyzer, todays, self._journal)
            results += [g for g in gaps if g.identity[1] // DAY == day]
            parts = [
                replace(s, first_us=max(s.first_us, first), stop_us=min(s.stop_us, stop))
                for s in speaks
                if s.first_us < stop and s.stop_us > first
            ]
            yield Changes(results=results, stretches=parts)

    def _standards(self, touched_us: int) -> Changes:
        """Visits to ports with standard gases."""
        analyzer = self._analyzer
        reach = micros(analyzer.lag_s + 120.0)
        first = self._anchors.last_standard(analyzer.id, self._span[0] - reach)
        at = self._start if first is None else first
        end = min(self._until, touched_us + DAY)
        ports = {s.port for s in analyzer.standards}
        channels = analyzer_channels(analyzer) | {str(analyzer.port_channel)}
        lag = micros(analyzer.lag_s)
        flush = micros(analyzer.flush_s)
        runs = NO_RUNS
        cursor = at
        while cursor <= end:
            last = min(cursor + DAY - 1, end)
            records = self._journal.read({str(analyzer.port_channel)}, cursor, last)
            runs = join_runs(runs, port_runs(analyzer, records), PORT_HOLD_US)
            cursor = last + 1
        visits = list(port_visits(runs, PORT_HOLD_US, end))
        stays = [v for v in visits if v.port in ports and v.finished and v.ended_us + lag <= end]
        results: list[Result] = []
        for day in sorted({v.started_us // DAY for v in stays}):
            todays = [v for v in stays if v.started_us // DAY == day]
            low = todays[0].started_us - 60 * SECOND
            high = todays[-1].ended_us + lag + SECOND
            records = self._journal.read(channels, low, high)
            for gas in analyzer.gases:
                samples = samples_of(self._station, analyzer, gas, records)
                known = {s.port: s.value for s in analyzer.standards if s.gas == gas}
                mine = [v for v in todays if v.port in known]
                parts = [select(samples.inlet_us, v.settled(flush, lag)) for v in mine]
                kept = [~np.isnan(samples.dry[p]) for p in parts]
                values = visit_values(
                    [samples.inlet_us[p][k] for p, k in zip(parts, kept, strict=True)],
                    [samples.dry[p][k] for p, k in zip(parts, kept, strict=True)],
                    precision_nmol(self._station, analyzer, gas),
                )
                scale, shift = to_canonical(self._station, analyzer.gases[gas])
                for i, v in enumerate(mine):
                    row = {
                        "port": v.port,
                        "ended_us": v.ended_us,
                        "mid_us": int(values.mid_us[i]),
                        "standard_nmol_mol": known[v.port] * scale + shift,
                        "value_nmol_mol": float(values.value[i]),
                        "value_se_nmol_mol": float(values.value_se[i]),
                        "points": int(values.points[i]),
                    }
                    key = (analyzer.id, gas, v.started_us)
                    results.append(Result("standard_visits", key, row, digest_of(row)))
        # Visits that may go on, or whose gas has not all come, are spoken for later.
        later = [v.started_us for v in visits if v.port in ports and v not in stays]
        stop = min([end + 1, *runs.first[-1:].tolist(), *later])
        return Changes(
            results=[r for r in results if r.identity[2] < stop],
            stretches=[Stretch("standard_visits", analyzer.id, at, stop)],
        )
