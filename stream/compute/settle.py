"""Unsettled records become results. What is stored is a function of the journal alone,
so that it does not matter in which pieces, or in which order, the records came.

Before it comes what makes closures unsettled anew: notes of the field log. What is damaged on the
way is set aside, and the work goes on.
"""

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import ParamSpec, TypeVar

from stream import __version__
from stream.compute.closures.segments import micros
from stream.compute.manual.span import ManualTask
from stream.compute.span import AnalyzerTask, SettlementContext, spare
from stream.compute.workers import SerialExecutor, Workers, tidy_up
from stream.errors import RecordsDamaged
from stream.ingest.intake import join_spans
from stream.manual.tables import ManualTable, read_table
from stream.note_kinds import KINDS, TAKEN_BACK
from stream.station import FieldNote, FolderSource, Station, StationFile, amended, read_notes
from stream.store import Store
from stream.store.journal.blocks import Span
from stream.store.journal.journal import Damage, Journal
from stream.store.journal.mending import Mending
from stream.store.results.changes import Changes, Result
from stream.store.results.writer import AnchorReader, Writer, Written
from stream.store.station_data import ManualTables, Marks, Notes
from stream.times import DAY, rfc3339, to_micros

P = ParamSpec("P")
T = TypeVar("T")


class Mender:
    """Sets damaged pieces aside and lets folders be read again.

    Parameters
    ----------
    file : StationFile
    store : Store
    """

    def __init__(self, file: StationFile, store: Store) -> None:
        self._file = file
        self._store = store
        self._marks = Marks(store, file.station.id)
        self.told: list[str] = []
        """What was set aside, a line each."""

    def through(self, work: Callable[P, T], *given: P.args, **named: P.kwargs) -> T:
        """Do something with the journal, again after each damaged piece.

        Raises
        ------
        RecordsDamaged
            One that cannot be set aside.
        """
        while True:
            try:
                return work(*given, **named)
            except RecordsDamaged as error:
                found = self.set_aside(error)
                if found is None:
                    raise

    def set_aside(self, error: RecordsDamaged) -> Damage | None:
        """Take a piece out of the journal, and have folders read again when the service runs.

        Returns
        -------
        Damage or None
            None where it is gone already, or sound after all.
        """
        mending = Mending(self._store, self._file.station.id, self._file.archive)
        found = mending.set_aside(error, time.time_ns() // 1000)
        if found is not None:
            first, last = rfc3339(found.first_us), rfc3339(found.last_us)
            self.told.append(
                f"{error}: records from {first} to {last} are set aside. Bring the files that"
                " held them, or a copy of the archive's day, again"
            )
            for source in self._file.station.sources:
                if isinstance(source, FolderSource):
                    self._marks.put(again_mark(source), "yes")
        return found


def again_mark(source: FolderSource) -> str:
    """The mark that lets a folder be read from the beginning."""
    return f"read again: {source.path}"


Progress = Callable[[float], None]
"""Told how many days of records were settled since it was last told."""


class FieldLog:
    """Takes up the notes of one station."""

    def __init__(self, file: StationFile, notes: Notes, journal: Journal, writer: Writer) -> None:
        self._file = file
        self._notes = notes
        self._journal = journal
        self._writer = writer

    def file(self) -> StationFile:
        """The station file with what the field log adds to it."""
        noted = self._notes.all()
        return amended(self._file, noted) if noted else self._file

    def waiting(self) -> bool:
        """Whether there are notes that nobody has taken up."""
        return bool(self._notes.waiting())

    def take(self) -> None:
        """Make unsettled what new notes bear on, in one commit."""
        numbers = self._notes.waiting()
        if not numbers:
            return
        notes = {n.number: n for n in read_notes(self._notes.all())}
        extent = self._journal.extent()
        until = max((last for _, last, _ in extent.values()), default=0)
        spans = [
            span
            for number in numbers
            for about in _and_what_it_takes_back(notes[number], notes)
            for span in self._bears_on(about, until)
        ]
        self._writer.commit(
            Changes(
                notes_taken=numbers,
                unsettled=join_spans([*self._journal.unsettled(), *spans]) if spans else None,
            )
        )

    def _bears_on(self, note: FieldNote, until_us: int) -> list[tuple[int, int]]:
        if note.at_us > until_us:
            return []
        reworks = KINDS[note.kind].reworks
        if reworks == "period":
            last = until_us if note.until_us is None else min(note.until_us, until_us)
            return [(note.at_us, last)]
        if reworks == "height":
            chambers = [c for c in self.file().station.chambers if c.id == note.chamber]
            later = [
                at for c in chambers for h in c.heights if (at := to_micros(h.from_)) > note.at_us
            ]
            return [(note.at_us, min([until_us, *later]))]
        return []


def _and_what_it_takes_back(note: FieldNote, notes: dict[int, FieldNote]) -> Sequence[FieldNote]:
    found = [note]
    while note.kind == TAKEN_BACK and note.refers in notes and note.refers < note.number:
        note = notes[note.refers]
        found.append(note)
    return found


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
        log: FieldLog,
        journal: Journal,
        anchors: AnchorReader,
        writer: Writer,
        tables: ManualTables,
    ) -> None:
        self._log = log
        self._file = log.file()
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
        self._log.take()
        self._file = self._log.file()
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
        self._file = self._log.file()
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
        workers=workers or SerialExecutor(journal),
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
