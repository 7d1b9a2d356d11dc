"""Unsettled records become results. What is stored is a function of the journal alone,
so that it does not matter how the records were parted, or in which order they came.
"""

import gc
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Final

from stream import __version__
from stream.compute.closures.segments import Workers, micros
from stream.compute.field_log import take_notes
from stream.compute.manual.span import ManualTask
from stream.compute.mend import spare
from stream.compute.span import AnalyzerTask, SettlementContext
from stream.manual.tables import ManualTable, read_table
from stream.station import Station, StationFile
from stream.store.journal.blocks import Span
from stream.store.journal.journal import Journal
from stream.store.results.changes import Changes, Result
from stream.store.results.writer import AnchorReader, Writer, Written
from stream.store.station_data import ManualTables, Notes
from stream.times import DAY

Progress = Callable[[float], None]
"""Told how many days of records were settled since it was last told."""


@contextmanager
def without_pauses() -> Iterator[None]:
    """Look for cycles only where :func:`tidy_up` is called, while this lasts.

    A day of closures makes some hundred thousand small objects and no cycle; looking for
    cycles among them over and over took a quarter of the time.
    """
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


_PATIENCE: Final = 100_000
"""Objects that may wait; a day of closures that are being written is some ten thousand."""


def tidy_up() -> None:
    """Look for cycles among what is young, if nobody else does and there is much of it."""
    if not gc.isenabled() and gc.get_count()[0] > _PATIENCE:
        gc.collect(0)


@dataclass(frozen=True, slots=True)
class Settled:
    """What a settlement changed, and how many closures are not over yet."""

    written: Written
    pending: int

    def sentence(self) -> str:
        """For people."""
        words = []
        for kind, name in (
            ("closures", "closures"),
            ("gaps", "gaps"),
            ("standard_visits", "standard visits"),
        ):
            changed = {how: self.written[kind, how] for how in ("new", "revised", "withdrawn")}
            if any(changed.values()) or kind == "closures":
                words.append(f"{name}: " + ", ".join(f"{n} {how}" for how, n in changed.items()))
        if self.pending:
            plural = "" if self.pending == 1 else "s"
            words.append(f"{self.pending} closure{plural} not over at the last record")
        return "; ".join(words)


class Settlement:
    """Settles the records of one station."""

    def __init__(
        self,
        file: StationFile,
        log: Notes,
        journal: Journal,
        anchors: AnchorReader,
        writer: Writer,
        tables: ManualTables,
    ) -> None:
        self._log = log
        self._given = file
        self._file = file
        """As the field log amends it when a settlement begins."""
        self._tables = tables
        self._journal = journal
        self._anchors = anchors
        self._writer = writer

    def settle(
        self, *, progress: Progress | None = None, workers: Workers | None = None
    ) -> Settled:
        """Settle every unsettled span; one commit a day of closures.

        A process killed between two commits finds the spans still unsettled, and what
        was stored already comes out the same and is left alone.

        Parameters
        ----------
        progress : callable, optional
            Called with days of records.
        workers : Workers, optional
            Who works lids and closures out; this process where nobody else is named.

        Returns
        -------
        Settled
        """
        if self._log.waiting():
            take_notes(self._given, self._log, self._journal, self._writer)
        # Afterwards: a note that is taken up and not in the file would bear on nothing.
        self._file = self._log.amend(self._given)
        spans = self._journal.unsettled()
        written = Written()
        if not spans:
            return Settled(written, 0)
        context = context_of(self._file, self._journal, self._anchors, workers)
        tables = tables_of(self._file.station, self._tables)
        pending: dict[str, list[Result]] = {}
        lost = self._lost()
        stored = self._anchors.closed_within(lost)
        for span in spans:
            for work in tasks_of(context, span, tables):
                for changes in work.changes():
                    if lost:
                        spare(changes, lost, stored)
                    written.update(self._commit(changes, progress))
                pending.update(work.pending)
        self._commit(Changes(unsettled=[], provisional=pending), None)
        return Settled(written, sum(map(len, pending.values())))

    def reprocess(
        self,
        first_us: int,
        stop_us: int,
        *,
        progress: Progress | None = None,
        workers: Workers | None = None,
    ) -> Settled:
        """Work out again, from the records, what happened in a period.

        Every result of the period whose content, station file or software version is
        another than the stored one's gets a new revision; nothing outside the period is
        touched. Doing it twice changes nothing the second time.

        Parameters
        ----------
        first_us, stop_us : int
            Period by the closing of the lid, the end excluded [µs].
        progress : callable, optional
            Called with days of records.
        workers : Workers, optional
            Who works lids and closures out; this process where nobody else is named.

        Returns
        -------
        Settled
        """
        self._file = self._log.amend(self._given)
        context = context_of(self._file, self._journal, self._anchors, workers)
        tables = tables_of(self._file.station, self._tables)
        written = Written()
        lost = self._lost()
        stored = self._anchors.closed_within(lost)
        for work in tasks_of(context, (first_us, stop_us - 1), tables):
            for changes in work.changes():
                changes.results = [
                    r for r in changes.results if first_us <= r.identity[-1] < stop_us
                ]
                changes.scopes = [
                    replace(s, first_us=max(s.first_us, first_us), stop_us=min(s.stop_us, stop_us))
                    for s in changes.scopes
                    if s.first_us < stop_us and s.stop_us > first_us
                ]
                changes.renew = True
                if lost:
                    spare(changes, lost, stored)
                written.update(self._commit(changes, progress))
        return Settled(written, 0)

    def _lost(self) -> list[tuple[int, int]]:
        """Times of closures whose records are damaged and have not come again."""
        longest = micros(self._file.station.closure.max_duration_s)
        return [(d.first_us - longest, d.last_us) for d in self._journal.lost(-(2**62), 2**62)]

    def _commit(self, changes: Changes, progress: Progress | None) -> Written:
        changes.station_digest = self._file.digest
        changes.station_content = self._file.provenance
        changes.software_version = __version__
        written = self._writer.commit(changes)
        tidy_up()
        if progress:
            progress(1.0 / len(self._file.station.analyzers))
        return written


def context_of(
    file: StationFile, journal: Journal, anchors: AnchorReader, workers: Workers | None
) -> SettlementContext:
    """What there is to stand on, under a station file as amended."""
    extent = journal.extent()
    kept_from = journal.kept_from()
    start = min((first for first, _, _ in extent.values()), default=0)
    return SettlementContext(
        file.station,
        journal,
        anchors,
        start_us=start if kept_from is None else max(start, kept_from),
        until_us=max((last for _, last, _ in extent.values()), default=0),
        last_us={channel: last for channel, (_, last, _) in extent.items()},
        kept_from_us=-(2**62) if kept_from is None else kept_from,
        bad=file.bad,
        workers=workers,
        refused=file.refused_chambers,
        stretches=journal.stretches().worked_out(),
    )


def tables_of(station: Station, kept: ManualTables) -> list[ManualTable]:
    """The tables of vials and of runs, as they are now; none without an analyzer of vials."""
    if not any(a.sampling == "vials" for a in station.analyzers):
        return []
    return [read_table(station, t.name, t.content) for t in kept.current()]


def tasks_of(
    context: SettlementContext, span: tuple[int, int], tables: Sequence[ManualTable]
) -> Iterator[AnalyzerTask | ManualTask]:
    """What is to be worked out of a span (first, last) [µs], an analyzer each."""
    for analyzer in context.station.analyzers:
        if analyzer.sampling == "vials":
            yield ManualTask(context, analyzer, span, tables)
            continue
        for part in context.stretches:
            known = max(span[0], part.first_us, context.start_us), min(span[1], part.last_us)
            if context.last_us and known[0] <= known[1]:
                yield AnalyzerTask(_within(context, part), analyzer, known)


def _within(context: SettlementContext, stretch: Span) -> SettlementContext:
    """The ground of one stretch: what lies beyond a silence of years is not of it."""
    until = min(context.until_us, stretch.last_us)
    beyond = [channel for channel, last in context.last_us.items() if last > until]
    last_day = context.journal.read(beyond, until - DAY, until) if beyond else {}
    last_us = {c: int(s.times[-1]) if len(s.times) else 0 for c, s in last_day.items()}
    return replace(
        context,
        start_us=max(context.start_us, stretch.first_us),
        until_us=until,
        last_us={**context.last_us, **last_us},
    )
