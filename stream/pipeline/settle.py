"""Unsettled records become results. What is stored is a function of the journal alone,
so that it does not matter in which pieces, or in which order, the records came.
"""

from collections.abc import Callable
from dataclasses import dataclass

from stream import __version__
from stream.pipeline.work import AnalyzerWork, Ground
from stream.station import StationFile
from stream.store.anchors import AnchorReader
from stream.store.changes import Changes, Result
from stream.store.journal import Journal
from stream.store.writer import Writer, Written

Progress = Callable[[float], None]
"""Told how many days of records were settled since it was last told."""


@dataclass(frozen=True, slots=True)
class Settled:
    """What a settlement changed, and how many closures are not over yet."""

    written: Written
    pending: int


class Settlement:
    """Settles the records of one station."""

    def __init__(
        self, file: StationFile, journal: Journal, anchors: AnchorReader, writer: Writer
    ) -> None:
        self._file = file
        self._journal = journal
        self._anchors = anchors
        self._writer = writer

    def settle(self, *, force: bool = False, progress: Progress | None = None) -> Settled:
        """Settle every unsettled span; one commit a day of closures.

        A process killed between two commits finds the spans still unsettled, and what
        was stored already comes out the same and is left alone.

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
        station = self._file.station
        spans = self._journal.unsettled()
        extent = self._journal.extent()
        written = Written()
        if not spans or not extent:
            return Settled(written, 0)
        ground = Ground(
            station,
            self._journal,
            self._anchors,
            start_us=min(first for first, _, _ in extent.values()),
            until_us=max(last for _, last, _ in extent.values()),
            last_us={channel: last for channel, (_, last, _) in extent.items()},
        )
        pending: dict[str, list[Result]] = {}
        for span in spans:
            for analyzer in station.analyzers:
                work = AnalyzerWork(ground, analyzer, span)
                for changes in work.changes():
                    written.update(self._commit(changes, force=force))
                    if progress:
                        progress(1.0 / len(station.analyzers))
                pending.update(work.pending)
        self._commit(Changes(unsettled=[], provisional=pending), force=False)
        return Settled(written, sum(map(len, pending.values())))

    def _commit(self, changes: Changes, *, force: bool) -> Written:
        changes.station_digest = self._file.digest
        changes.station_content = self._file.provenance
        changes.software_version = __version__
        changes.force = force
        return self._writer.commit(changes)
