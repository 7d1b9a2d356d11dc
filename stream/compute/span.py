"""One analyzer over one unsettled span: what must be looked at again, and what it becomes."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import compress, pairwise

from stream.compute.closures.evaluate import evaluate
from stream.compute.closures.rows import Event, digest_of, unfinished
from stream.compute.closures.segments import (
    Anchor,
    LidRecord,
    Workers,
    events_of,
    gaps_of,
    micros,
    read_lids,
)
from stream.compute.closures.standards import standard_changes
from stream.science.quality.flags import BIT, quality
from stream.station import Analyzer, BadPeriod, Station
from stream.store.journal.blocks import Span
from stream.store.journal.journal import Journal
from stream.store.results.changes import Changes, Result, Scope
from stream.store.results.writer import AnchorReader
from stream.times import DAY, to_micros


@dataclass(frozen=True, slots=True)
class SettlementContext:
    """What a settlement stands on.

    Attributes
    ----------
    station, journal, anchors
        The station, its records, and what is stored already.
    start_us, until_us : int
        First record of the station that is kept, and its last [µs].
    last_us : mapping of str to int
        Last record of each channel [µs].
    kept_from_us : int
        Results of earlier closures stay as they are [µs].
    bad : tuple of BadPeriod
        Times that people marked as bad.
    workers : Workers or None
        Who works lids and closures out; None: this process.
    stretches : sequence of Span
        When the station was at work, in order.
    refused : frozenset of str
        Chambers about which the station file says what cannot be right.
    """

    station: Station
    journal: Journal
    anchors: AnchorReader
    start_us: int
    until_us: int
    last_us: Mapping[str, int]
    workers: Workers | None
    kept_from_us: int = -(2**62)
    bad: tuple[BadPeriod, ...] = ()
    refused: frozenset[str] = frozenset()
    stretches: Sequence[Span] = ()

    def results(
        self, analyzer: Analyzer, days: Sequence[Sequence[Event]]
    ) -> Iterator[list[Result]]:
        """The results of each day of closures, in order, by whoever works them out."""
        if self.workers is None:
            yield from (evaluate(self.station, analyzer, day, self.journal) for day in days)
            return
        for found in self.workers.over(results_of_days, (self.station, analyzer.id), days):
            yield from found

    def marked(self, event: Event) -> Event:
        """The event with a word about it where a person marked its time as bad, or the station
        file says of its chamber what cannot be right.
        """
        lid, chamber = event.lid, event.chamber.id
        flags = event.flags
        if any(b.touches(chamber, lid.closed_us, lid.opened_us) for b in self.bad):
            flags |= BIT["marked_bad"]
        if chamber in self.refused:
            flags |= BIT["setup_implausible"]
        return replace(event, flags=flags) if flags != event.flags else event


def results_of_days(
    journal: Journal, station: Station, analyzer: str, days: Sequence[Sequence[Event]]
) -> list[list[Result]]:
    """The results of some days of closures, as a worker is asked for them."""
    return [evaluate(station, station.analyzer(analyzer), events, journal) for events in days]


class AnalyzerTask:
    """One analyzer over one span of unsettled records (first, last) [µs]."""

    def __init__(
        self, context: SettlementContext, analyzer: Analyzer, span: tuple[int, int]
    ) -> None:
        self._context = context
        self._analyzer = analyzer
        self._chambers = context.station.chambers_on(analyzer.id)
        self._span = span
        self._gases = tuple(analyzer.gases)
        self._after_us = micros(analyzer.after_s)
        self._lateness_us = micros(context.station.closure.lateness_s)
        self.pending: dict[str, list[Result]] = {}
        """Chamber → closures that are not over, of the chambers that were read up to the
        last record; complete once :meth:`changes` has run through."""

    def changes(self) -> Iterator[Changes]:
        """The commits, in order of time."""
        rules = self._context.station.closure
        reach = micros(rules.bounce_s + 60.0 + self._analyzer.after_s)
        before = self._span[0] - reach
        anchors = {c.id: self._anchor(c.id, before) for c in self._chambers}
        hold = self._analyzer.standard_hold_s if self._analyzer.standards else 0.0
        touched = self._span[1] + micros(max(rules.hold_s, hold, 60.0))
        stretches = self._lids(anchors, touched)
        others = [
            found
            for c in self._chambers
            for found in self._context.anchors.closures_before(
                c.id, anchors[c.id].from_us, min(a.from_us for a in anchors.values())
            )
        ]
        clock_events = self._context.anchors.clock_doubts(
            min(a.from_us for a in anchors.values()), self._context.until_us
        )
        events = events_of(
            self._context.station, stretches, others, clock_events, shared=self._analyzer.shared
        )
        ready: list[Event] = []
        speaks: list[Scope] = []
        gaps: list[Result] = []
        for stretch, mine in zip(stretches, events, strict=True):
            after = sorted(c.closed_us for c in stretch.closures if c.closed_us > touched)
            # The first of them knows the closure before it, which may be another now.
            stop = after[1] if len(after) > 1 else self._context.until_us + 1
            first = stretch.anchor.from_us
            found = [self._context.marked(e) for e in mine if e.lid.closed_us < stop]
            over = [self._is_over(e) for e in found]
            ready += compress(found, over)
            if len(after) < 2:
                waiting = [e for e, ended in zip(found, over, strict=True) if not ended]
                self.pending[stretch.chamber.id] = [unfinished(e, self._gases) for e in waiting]
            speaks.append(Scope("closures", stretch.chamber.id, first, stop))
            begun = stretch.anchor.closed_us
            begun = self._context.start_us if begun is None else begun
            # Before it had a height the chamber did not stand there.
            begun = max(begun, to_micros(stretch.chamber.heights[0].from_))
            for due, cause in gaps_of(
                self._context.station, stretch, begun, stop, self._context.until_us
            ):
                row = {"quality": quality(BIT[cause]), "flags": cause}
                gaps.append(Result("gaps", (stretch.chamber.id, due), row, digest_of(row)))
            speaks.append(Scope("gaps", stretch.chamber.id, begun, stop))
        yield from self._by_day(ready, gaps, speaks)
        if self._analyzer.standards:
            g = self._context
            yield standard_changes(
                g.station,
                self._analyzer,
                g.journal,
                g.anchors,
                self._span[0],
                touched,
                g.start_us,
                g.until_us,
            )

    def _anchor(self, chamber: str, before_us: int) -> Anchor:
        found = self._context.anchors.last_opening(chamber, before_us)
        # Of what lies before the first record that is kept, results stay as they are.
        if found is not None and found[1] >= self._context.start_us:
            return Anchor(from_us=found[1], closed_us=found[0])
        return Anchor(from_us=self._context.start_us, closed_us=None)

    def _lids(self, anchors: dict[str, Anchor], touched_us: int) -> list[LidRecord]:
        """Read far enough that each lid shows two closures later than anything touched."""
        end = min(self._context.until_us, touched_us + DAY)
        while True:
            stretches = read_lids(
                self._context.station,
                self._chambers,
                anchors,
                end,
                self._context.until_us,
                self._context.journal,
                self._context.workers,
            )
            settled = all(
                sum(c.closed_us > touched_us and not c.still_closed for c in s.closures) > 1
                for s in stretches
            )
            if settled or end >= self._context.until_us:
                return stretches
            end = min(self._context.until_us, end + 4 * (end - touched_us))

    def _is_over(self, event: Event) -> bool:
        """Whether all records that bear on a closure have come, or will not come."""
        lid = event.lid
        if lid.still_closed:
            return False
        needed = lid.opened_us + self._after_us
        last = self._context.last_us
        if all(last.get(channel, 0) >= needed for channel in self._analyzer.gases.values()):
            return True
        return self._context.until_us > needed + self._lateness_us

    def _by_day(
        self, ready: Sequence[Event], gaps: Sequence[Result], speaks: Sequence[Scope]
    ) -> Iterator[Changes]:
        """Split into commits by the day on which lids closed, so that memory stays flat."""
        days = {e.lid.closed_us // DAY for e in ready} | {g.identity[1] // DAY for g in gaps}
        commits = commits_by_day(days, speaks)
        closures: dict[int, list[Event]] = {day: [] for day in commits}
        for event in ready:
            closures[event.lid.closed_us // DAY].append(event)
        missing: dict[int, list[Result]] = {}
        for gap in gaps:
            missing.setdefault(gap.identity[1] // DAY, []).append(gap)
        found = self._context.results(self._analyzer, list(closures.values()))
        for (day, parts), results in zip(commits.items(), found, strict=True):
            yield Changes(results=[*results, *missing.get(day, [])], scopes=parts)


def commits_by_day(days: Iterable[int], speaks: Sequence[Scope]) -> dict[int, list[Scope]]:
    """Days of commits in order, and what each commit speaks for.

    Parameters
    ----------
    days : iterable of int
        Days with results, since 1970.
    speaks : sequence of Scope
        What all commits speak for together.

    Returns
    -------
    dict of int to list of Scope
        Days between carry no result; what was stored for them goes with the one before.
    """
    ends = {day for s in speaks for day in (s.first_us // DAY, (s.stop_us - 1) // DAY)}
    ordered = sorted({*days, *ends})
    bounds = [*(day * DAY for day in ordered), 2**62]
    return {
        day: [
            replace(s, first_us=max(s.first_us, first), stop_us=min(s.stop_us, stop))
            for s in speaks
            if s.first_us < stop and s.stop_us > first
        ]
        for day, (first, stop) in zip(ordered, pairwise(bounds), strict=True)
    }
