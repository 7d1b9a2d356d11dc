"""Recorded files through the whole path into the database."""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import ParamSpec, TypeVar

import numpy as np

from stream.compute.mend import sentence, set_aside
from stream.compute.settle import Settled, Settlement, without_pauses
from stream.compute.told import FileTold, Replayed
from stream.errors import RecordsDamaged, SourceError
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
from stream.ingest.intake import Intake, check_clocks, quarantine_row
from stream.manual.intake import ManualIntake, TakenTable
from stream.station import StationFile
from stream.store import Store, WriterLock, database_exists, open_store
from stream.store.journal.journal import Damage, Journal
from stream.store.results.readers import Reader
from stream.store.results.writer import AnchorReader, Writer
from stream.store.station_data import ManualTables, Notes
from stream.times import DAY

P = ParamSpec("P")
T = TypeVar("T")
Report = Callable[[str, float, float], None]
"""Called with what is being done, how much is done, and how much there is."""


@dataclass(frozen=True, slots=True)
class Pipeline:
    """The parts of the path of one station, joined over one store.

    ``told`` has a line for each damaged block or day that was set aside.
    """

    file: StationFile
    store: Store
    journal: Journal
    intake: Intake
    settlement: Settlement
    writer: Writer
    tables: ManualTables
    log: Notes
    told: list[str] = field(default_factory=list)

    @property
    def hand(self) -> ManualIntake:
        """For tables that people bring."""
        return ManualIntake(self.file.station, self.tables, self.journal, self.intake, self.writer)

    def through(self, work: Callable[P, T], *given: P.args, **named: P.kwargs) -> T:
        """Do something with the journal, again after each damage that was set aside.

        Raises
        ------
        RecordsDamaged
            What cannot be set aside.
        """
        while True:
            try:
                return work(*given, **named)
            except RecordsDamaged as error:
                if self.mend(error) is None:
                    raise

    def mend(self, error: RecordsDamaged) -> Damage | None:
        """Set a damaged block or day aside; see :func:`stream.compute.mend.set_aside`."""
        found = set_aside(self.file, self.store, error)
        if found is not None:
            self.told.append(sentence(error, found))
        return found


def join(file: StationFile, store: Store) -> Pipeline:
    """Join the parts of the path over a store."""
    journal = Journal(store, file.station.id, file.archive)
    writer = Writer(store, file.station.id)
    anchors = AnchorReader(store, file.station.id)
    tables = ManualTables(store, file.station.id)
    intake = Intake(journal, writer)
    log = Notes(store, file.station.id)
    return Pipeline(
        file,
        store,
        journal,
        intake,
        Settlement(file, log, journal, anchors, writer, tables),
        writer,
        tables,
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
        parts = join(file, store)
        lacking = (
            lacking_channels(file, recordings, set(parts.journal.extent())) if recordings else {}
        )
        if lacking and not partial and len(texts) == len(recordings):
            raise missing_column(file, recordings, lacking, found.refused)
        new, rejects, told = _take(parts, recordings, found.refused, report)
        held = sum(t.records for t in told)
        tables = _take_tables(parts, brought, found.refused, told)
        settled = _settle(parts, report)
        rejects += sum(t.refused for t in tables)
        _keep_refused(parts, found.refused)
        return Replayed(
            len(told), new, held - new, rejects, settled, tuple(tables), tuple(told),
            tuple(found.refused), tuple(parts.told),
            Reader(store, file.station.id).worked_out_otherwise(parts.log.amend(file).digest),
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
                fresh = parts.through(parts.intake.unseen, batch)
                written = parts.through(parts.intake.take, fresh)
                _count(told, batch, fresh.rejects)
                clashes = fresh.rejects[len(batch.rejects) :]
                told.others += standing(parts.journal, recording.name, clashes)
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


def _count(told: FileTold, batch: Batch, refused: Sequence[Reject]) -> None:
    """Count what a batch brought, and what of it was refused in the end."""
    told.records += batch.records
    told.times += len(batch)
    told.same_time += sum(r.at_us is not None for r in batch.rejects)
    told.refusals += [quarantine_row(r) for r in refused]
    last = max((r.line for r in refused), default=0)
    told.lines = max(told.lines, last, int(batch.lines.max()) if len(batch) else 0)


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


def _settle(parts: Pipeline, report: Report | None) -> Settled:
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
        return parts.through(parts.settlement.settle, progress=progress)


def _keep_refused(parts: Pipeline, refused: Sequence[str]) -> None:
    """Files that were refused as a whole go to quarantine, for those who read the summary."""
    for line in refused:
        path, _, why = line.partition(": ")
        parts.intake.take(refused_batch(Path(path).name, 0, why or line, b""))


def _placed(recording: Recording, error: SourceError) -> str:
    """An error of a file, with its path in place of its name."""
    text = str(error).removeprefix(f"{recording.name}: ").removeprefix(f"{recording.path}: ")
    return f"{recording.path}: {text}"


def _ahead(batches: Iterator[tuple[Batch, int]]) -> Iterator[tuple[Batch, int]]:
    """The same in the same order, the next one read while this one is committed."""
    with ThreadPoolExecutor(1) as reader:
        following = reader.submit(next, batches, None)
        while (batch := following.result()) is not None:
            following = reader.submit(next, batches, None)
            yield batch


def standing(journal: Journal, own: str, clashes: Sequence[Reject]) -> Counter[str]:
    """Files and topics whose values stand against those of a file, and how many do.

    Parameters
    ----------
    journal : Journal
        Blocks know their sources; archived days do not, and are passed over.
    own : str
        The file's name: where it disagrees with itself, nobody else is to blame.
    clashes : sequence of Reject
        Records that differ from those of the journal.
    """
    times: dict[str, list[int]] = {}
    for reject in clashes:
        if reject.at_us is not None:
            times.setdefault(reject.text.partition("=")[0], []).append(reject.at_us)
    found: Counter[str] = Counter()
    for channel, mine in times.items():
        for source, count in journal.sources_of(channel, np.unique(mine)).items():
            if source != own:
                found[source] += count
    return found
