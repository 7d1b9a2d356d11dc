"""Recorded files through the whole path into the database."""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from stream.compute import standing
from stream.compute.gc_pauses import without_pauses
from stream.compute.mend import Mender
from stream.compute.settle import Settled, Settlement
from stream.errors import SourceError
from stream.ingest.batches import Batch, Reject, refused_batch
from stream.ingest.files.recordings import (
    Recording,
    find_recordings,
    missing_column,
    read_recording,
    settle_dates,
    without_column,
)
from stream.ingest.files.recordings import lacking as lacking_channels
from stream.ingest.intake import Intake, quarantine_row
from stream.ingest.refusals import NOTICE, RECORDED, by_reason
from stream.ingest.times.clocks import check_clocks
from stream.manual.intake import ManualIntake, TakenTable
from stream.notes.consequences import FieldLog
from stream.station import StationFile
from stream.store import Store, WriterLock, database_exists, open_store
from stream.store.journal.journal import Journal
from stream.store.journal.mending import Mending
from stream.store.manual import ManualTables
from stream.store.notes import Notes
from stream.store.results.anchors import AnchorReader
from stream.store.results.changes import Row
from stream.store.results.readers import Reader
from stream.store.results.writer import Writer
from stream.times import DAY

MOST_REFUSED: Final = 0.01
"""Share of a file's lines that may be refused without more ado."""
MANY_ALIKE: Final = 0.1
"""Values of a time that has one already, against lines, that tell of coarse times."""
Report = Callable[[str, float, float], None]
"""Called with what is being done, how much is done, and how much there is."""


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


@dataclass(slots=True)
class FileTold:
    """What came of one file.

    Attributes
    ----------
    path : Path
    records : int
        That it holds, known ones too.
    lines : int
        Up to the last that was read.
    refusals : list of rows
        Of lines that could not be taken, whether or not they are in quarantine already.
    times : int
        Different times of its lines.
    same_time : int
        Values refused because the file has another for the same time.
    others : counter
        Files and topics whose values stand against this one's → how many.
    odd : sequence of str
        What is said of numbers of a table that cannot be right.
    """

    path: Path
    records: int = 0
    lines: int = 0
    refusals: list[Row] = field(default_factory=list)
    times: int = 0
    same_time: int = 0
    others: Counter[str] = field(default_factory=Counter)
    odd: Sequence[str] = ()

    @property
    def refused(self) -> int:
        """How many lines could not be taken, wholly or in part."""
        lost = {r["line"] for r in self.refusals if not r["reason"].startswith(NOTICE)}
        return len(lost)

    def saw(self, batch: Batch, refused: Sequence[Reject]) -> None:
        """Count what a batch brought, and what of it was refused in the end."""
        self.records += batch.records
        self.times += len(batch)
        self.same_time += sum(r.at_us is not None for r in batch.rejects)
        self.refusals += [quarantine_row(r) for r in refused]
        last = max((r.line for r in refused), default=0)
        self.lines = max(self.lines, last, int(batch.lines.max()) if len(batch) else 0)

    def hint(self) -> str | None:
        """What is wrong where many lines have the same time, or another file has other values."""
        if self.others:
            return standing.told(self.path, self.others)
        if self.same_time <= MANY_ALIKE * self.lines:
            return None
        if self.times == 1:
            return (
                f"{self.path}: all lines have the same time. Check the logger's clock, and whether"
                " date and time of day are in columns of their own"
            )
        return (
            f"{self.path}: {self.same_time} values have the time of an earlier line. The times are"
            " coarser than the sampling interval; have the logger write seconds"
        )

    def complaint(self) -> str | None:
        """Why the file was not simply taken; None where it was."""
        what = "Correct the file or its source in the station file, or use --allow-refused"
        if not self.records:
            return f"{self.path}: no record was read. {what}"
        if self.refused > MOST_REFUSED * self.lines:
            were = f"{self.path}: {self.refused} of {self.lines} lines were refused"
            if self.others:
                have = f"{standing.names(self.others)} has other values for the same times"
                return f"{were}, since {have}. {standing.ORDER}, or use --allow-refused"
            return f"{were}. {what}"
        return None


@dataclass(frozen=True, slots=True)
class Replayed:
    """What a replay brought.

    ``not_taken`` has a line for each file that could not be understood; ``told`` says what
    came of the others; ``damaged`` has a line for each piece of the journal that was found
    damaged on the way; ``stale`` counts closures that stand as another station file made them;
    ``unseen`` names channels that nothing has a column for.
    """

    files: int
    records: int
    known: int
    rejects: int
    settled: Settled
    tables: tuple[TakenTable, ...] = ()
    told: tuple[FileTold, ...] = ()
    not_taken: tuple[str, ...] = ()
    damaged: tuple[str, ...] = ()
    stale: int = 0
    unseen: str = ""

    def sentence(self) -> str:
        """For people, in one line."""
        words = (
            f"{_count(self.files, 'file')}: {self.records} new records, {self.known} known already,"
            f" {_count(self.rejects, 'line')} newly in quarantine; "
        )
        if self.tables:
            changed = sum(t.changed for t in self.tables)
            words += (
                f"{_count(len(self.tables), 'table')} of vials and runs, {changed} new or"
                f" corrected, {_count(sum(t.rows for t in self.tables), 'row')}; "
            )
        return words + self.settled.sentence()

    def older(self) -> list[str]:
        """For people: that a changed station file has not changed what is stored."""
        if not self.stale:
            return []
        were = "closure was" if self.stale == 1 else "closures were"
        return [
            f"{self.stale} stored {were} worked out with another station file, and replay leaves"
            " them as they are; lidstream reprocess works them out with this one."
        ]

    def refusals(self) -> list[str]:
        """For people: what could not be taken, by reason, with the first example of each."""
        rows = [row for told in self.told for row in told.refusals]
        cells = "cell" if len(rows) == 1 else "cells"
        lines = [f"{_count(len(rows), 'line')} or {cells} refused, by reason:"] if rows else []
        others = sum((told.others for told in self.told), Counter[str]())
        for group in by_reason(rows):
            where = f"{group.source} line {group.line}" if group.line else group.source
            text = f": {group.text[:80]}" if group.text else ""
            lines.append(f"{group.count:>8} × {group.reason}")
            lines.append(f"           first: {where}{text}")
            cause = group.cause
            if RECORDED in group.reason and others:
                cause = f"{standing.names(others)} has other values for the same times; see below"
            if cause:
                lines.append(f"           likely cause: {cause}")
        return [*lines, *(hint for told in self.told if (hint := told.hint()) is not None)]

    def complaints(self) -> list[str]:
        """Damaged pieces; files that gave nothing, or of which too many lines were refused; and
        numbers of tables that cannot be right.
        """
        found = [line for told in self.told if (line := told.complaint()) is not None]
        return [*self.damaged, *found, *(line for told in self.told for line in told.odd)]


@dataclass(frozen=True, slots=True)
class Pipeline:
    """The parts of the path of one station, joined over one store."""

    file: StationFile
    journal: Journal
    intake: Intake
    settlement: Settlement
    hand: ManualIntake
    log: FieldLog


def join(file: StationFile, store: Store) -> Pipeline:
    """Join the parts of the path over a store."""
    journal = Journal(store, file.station.id, file.archive)
    writer = Writer(store, file.station.id)
    anchors = AnchorReader(store, file.station.id)
    tables = ManualTables(store, file.station.id)
    intake = Intake(journal, writer)
    mending = Mending(store, file.station.id, file.archive)
    log = FieldLog(file, Notes(store, file.station.id), journal, writer)
    return Pipeline(
        file,
        journal,
        intake,
        Settlement(log, journal, anchors, writer, tables, mending),
        ManualIntake(file.station, tables, journal, intake, writer),
        log,
    )


def replay(
    file: StationFile,
    paths: Sequence[Path],
    url: str,
    *,
    partial: bool = False,
    report: Report | None = None,
) -> Replayed:
    """Take recorded files into the database and settle what they bring.

    Parameters
    ----------
    file : StationFile
        The station.
    paths : sequence of Path
        Files and folders.
    url : str
        Of the database; it is opened, or made, only once the files have been looked
        at, so that files that cannot be read leave no trace.
    partial : bool
        Go on although no record is known of a channel that fluxes need.
    report : callable, optional
        For a progress bar.

    Raises
    ------
    SourceError
        No file can be read, or a channel that fluxes need is in none of them.
    StoreError
        The database refuses.
    """
    if report:
        report("files", 0.0, 1.0)
    found = find_recordings(file.station, paths)
    if any(r.dates is not None for r in found.files):
        found = settle_dates(found, _kept_orders(file, url))
    if not found.files:
        raise SourceError("\n".join(found.refused))
    brought = [r for r in found.files if r.table]
    recordings = [r for r in found.files if not r.table]
    texts = [r for r in recordings if r.text is not None]
    lacking = lacking_channels(file, recordings, set()) if recordings else {}
    if lacking and not partial and len(texts) == len(recordings) and not database_exists(url):
        raise missing_column(file, recordings, lacking, found.refused)
    with closing(open_store(url)) as store, WriterLock(store, file.station.id) as lock:
        lock.claim()
        check_clocks(file, store)
        parts, mender = join(file, store), Mender(file, store)
        lacking = (
            lacking_channels(file, recordings, set(parts.journal.extent())) if recordings else {}
        )
        if lacking and not partial and len(texts) == len(recordings):
            raise missing_column(file, recordings, lacking, found.refused)
        new, rejects, told = _take(parts, mender, recordings, found.refused, report)
        held = sum(t.records for t in told)
        tables = _take_tables(parts, brought, found.refused, told)
        settled = _settle(parts, mender, report)
        rejects += sum(t.refused for t in tables)
        _keep_refused(parts, found.refused)
        return Replayed(
            len(told), new, held - new, rejects, settled, tuple(tables), tuple(told),
            tuple(found.refused), tuple(mender.told),
            Reader(store, file.station.id).worked_out_otherwise(parts.log.file().digest),
            without_column(file, recordings, parts.journal.extent()),
        )  # fmt: skip


def _kept_orders(file: StationFile, url: str) -> dict[tuple[str, str], str]:
    """How sources write dates, as settled before; nothing is made where no database is."""
    if not database_exists(url):
        return {}
    with closing(open_store(url)) as store:
        return Reader(store, file.station.id).date_orders()


def _take(
    parts: Pipeline,
    mender: Mender,
    recordings: Sequence[Recording],
    refused: list[str],
    report: Report | None,
) -> tuple[int, int, list[FileTold]]:
    """New records, lines newly in quarantine, and what came of each file; ``refused`` gains
    what is found out only on the way.
    """
    new = rejects = 0
    files: list[FileTold] = []
    total = float(sum(r.size for r in recordings))
    done = 0.0
    if report and total:
        report("records", done, total)
    for recording in recordings:
        told = FileTold(recording.path)
        try:
            for batch, position in _ahead(read_recording(parts.file.station, recording)):
                fresh = mender.through(parts.intake.unseen, batch)
                written = mender.through(parts.intake.take, fresh)
                told.saw(batch, fresh.rejects)
                clashes = fresh.rejects[len(batch.rejects) :]
                told.others += standing.standing(parts.journal, recording.name, clashes)
                new += fresh.records
                rejects += written["quarantine", "new"]
                if report:
                    report("records", done + position, total)
        except SourceError as error:
            refused.append(_placed(recording, error))
            if not told.lines:
                continue
        files.append(told)
        done += recording.size
        if report:
            report("records", done, total)
    return new, rejects, files


def _take_tables(
    parts: Pipeline, brought: Sequence[Recording], refused: list[str], told: list[FileTold]
) -> list[TakenTable]:
    """Tables of vials and runs; ``told`` gains what came of each, ``refused`` those that are
    none.
    """
    tables: list[TakenTable] = []
    for recording in brought:
        try:
            t = parts.hand.take(recording.name, recording.content())
        except SourceError as error:
            refused.append(_placed(recording, error))
            continue
        tables.append(t)
        told.append(FileTold(recording.path, t.rows, t.lines, t.refusals, odd=t.odd))
    return tables


def _settle(parts: Pipeline, mender: Mender, report: Report | None) -> Settled:
    """Settle all that is unsettled."""
    days = sum(b - a for a, b in parts.journal.unsettled()) / DAY
    done = 0.0

    def progress(more: float) -> None:
        nonlocal done
        done += more
        if report:
            report("fluxes", done, days)

    if report and days:
        report("fluxes", done, days)
    with without_pauses():
        return mender.through(parts.settlement.settle, progress=progress)


def _keep_refused(parts: Pipeline, refused: Sequence[str]) -> None:
    """Files that were refused as a whole go to quarantine, for those who read the summary."""
    for line in refused:
        path, _, why = line.partition(": ")
        parts.intake.take(refused_batch(Path(path).name, 0, why or line, b""))


def _placed(recording: Recording, error: SourceError) -> str:
    """An error of a file, with its path in place of its name."""
    text = str(error).removeprefix(f"{recording.name}: ").removeprefix(f"{recording.path}: ")
    return f"{recording.path}: {text}"


def _ahead(pieces: Iterator[tuple[Batch, int]]) -> Iterator[tuple[Batch, int]]:
    """The same in the same order, the next one read while this one is committed."""
    with ThreadPoolExecutor(1) as reader:
        following = reader.submit(next, pieces, None)
        while (piece := following.result()) is not None:
            following = reader.submit(next, pieces, None)
            yield piece
