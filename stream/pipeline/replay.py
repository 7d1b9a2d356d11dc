"""Recorded files through the whole path into the database."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from stream.errors import SourceError
from stream.pipeline.field_log import FieldLog
from stream.pipeline.hand_intake import HandIntake, TakenTable
from stream.pipeline.intake import Intake
from stream.pipeline.settle import Settled, Settlement
from stream.pipeline.steady import without_pauses
from stream.records import Batch
from stream.sources.replay import Recording, find_recordings, read_recording
from stream.station import StationFile, needed_channels
from stream.store import Store, WriterLock, database_exists, open_store
from stream.store.anchors import AnchorReader
from stream.store.hand import HandTables
from stream.store.journal import Journal
from stream.store.notes import Notes
from stream.store.writer import Writer

Report = Callable[[str, float, float], None]
"""Called with what is being done, how much is done, and how much there is."""


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


@dataclass(frozen=True, slots=True)
class Replayed:
    """What a replay brought."""

    files: int
    records: int
    known: int
    rejects: int
    settled: Settled
    tables: tuple[TakenTable, ...] = ()

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


@dataclass(frozen=True, slots=True)
class Parts:
    """The parts of the path of one station, joined over one store."""

    file: StationFile
    journal: Journal
    intake: Intake
    settlement: Settlement
    hand: HandIntake
    log: FieldLog


def join(file: StationFile, store: Store) -> Parts:
    """Join the parts of the path over a store."""
    journal = Journal(store, file.station.id, file.archive)
    writer = Writer(store, file.station.id)
    anchors = AnchorReader(store, file.station.id)
    tables = HandTables(store, file.station.id)
    intake = Intake(journal, writer)
    log = FieldLog(file, Notes(store, file.station.id), journal, writer)
    return Parts(
        file,
        journal,
        intake,
        Settlement(log, journal, anchors, writer, tables),
        HandIntake(file.station, tables, journal, intake, writer),
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
        A file cannot be read, or a channel that fluxes need is in none of them.
    StoreError
        The database refuses.
    """
    found = find_recordings(file.station, paths)
    brought = [r for r in found if r.table]
    recordings = [r for r in found if not r.table]
    texts = [r for r in recordings if r.layout is not None]
    for r in texts:
        if not r.channels:
            raise SourceError(
                f"{r.path}: none of its columns is a channel of the station;"
                " name the columns as in [channels] of the station file"
            )
    lacking = _lacking(file, recordings, set()) if recordings else {}
    if lacking and not partial and len(texts) == len(recordings) and not database_exists(url):
        raise _missing_column(recordings, lacking)
    with closing(open_store(url)) as store, WriterLock(store, file.station.id):
        parts = join(file, store)
        lacking = _lacking(file, recordings, set(parts.journal.extent())) if recordings else {}
        if lacking and not partial and len(texts) == len(recordings):
            raise _missing_column(recordings, lacking)
        taken = _take(parts, recordings, report)
        tables = tuple(parts.hand.take(r.path.name, r.content()) for r in brought)
        before = sum(b - a for a, b in parts.journal.unsettled()) / 86_400e6
        done = 0.0

        def progress(days: float) -> None:
            nonlocal done
            done += days
            if report:
                report("fluxes", done, before)

        with without_pauses():
            settled = parts.settlement.settle(progress=progress)
        records, known, rejects = taken
        rejects += sum(t.refused for t in tables)
        return Replayed(len(found), records, known, rejects, settled, tables)


def _take(
    parts: Parts, recordings: Sequence[Recording], report: Report | None
) -> tuple[int, int, int]:
    records = known = rejects = 0
    total = float(sum(r.size for r in recordings))
    done = 0.0
    for recording in recordings:
        for batch, position in _ahead(read_recording(parts.file.station, recording)):
            fresh = parts.intake.unseen(batch)
            written = parts.intake.take(fresh)
            records += fresh.records
            known += batch.records - fresh.records
            rejects += written["quarantine", "new"]
            if report:
                report("records", done + position, total)
        done += recording.size
        if report:
            report("records", done, total)
    return records, known, rejects


def _ahead(pieces: Iterator[tuple[Batch, int]]) -> Iterator[tuple[Batch, int]]:
    """The same in the same order, the next one read while this one is committed."""
    with ThreadPoolExecutor(1) as reader:
        following = reader.submit(next, pieces, None)
        while (piece := following.result()) is not None:
            following = reader.submit(next, pieces, None)
            yield piece


def _lacking(file: StationFile, recordings: Sequence[Recording], known: set[str]) -> dict[str, str]:
    """Channels that fluxes need and that neither the files nor the journal have."""
    found = known.union(*(r.channels for r in recordings))
    return {c: key for c, key in needed_channels(file.station).items() if c not in found}


def _missing_column(recordings: Sequence[Recording], lacking: dict[str, str]) -> SourceError:
    channel, key = next(iter(lacking.items()))
    more = f" (and {len(lacking) - 1} more channels)" if len(lacking) > 1 else ""
    others = " nor in the other files" if len(recordings) > 1 else ""
    return SourceError(
        f"{recordings[0].path}: no column {channel!r}{more} here{others}, and {key} of the station"
        " file needs it; add the file that has it, correct the name, or pass --partial"
    )
