"""Unsettled records become results. What is stored is a function of the journal alone,
so that it does not matter in which pieces, or in which order, the records came.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

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
        self, file: StationFile, journal: Journal, anchors: AnchorReader, writer: Writer
    ) -> None:
        self._file = file
        self._journal = journal
        self._anchors = anchors
        self._writer = writer

    def settle(self, *, progress: Progress | None = None) -> Settled:
        """Settle every unsettled span; one commit a day of closures.

        A process killed between two commits finds the spans still unsettled, and what
        was stored already comes out the same and is left alone.

        Parameters
        ----------
        progress : callable, optional
            Called with days of records.

        Returns
        -------
        Settled
        """
        spans = self._journal.unsettled()
        ground = self._ground()
        written = Written()
        if not spans or ground is None:
            return Settled(written, 0)
        pending: dict[str, list[Result]] = {}
        for span in spans:
            for work in self._works(ground, span):
                for changes in work.changes():
                    written.update(self._commit(changes, progress))
                pending.update(work.pending)
        self._commit(Changes(unsettled=[], provisional=pending), None)
        return Settled(written, sum(map(len, pending.values())))

    def reprocess(
        self, first_us: int, stop_us: int, *, progress: Progress | None = None
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

        Returns
        -------
        Settled
        """
        ground = self._ground()
        written = Written()
        if ground is None or first_us > ground.until_us or stop_us <= ground.start_us:
            return Settled(written, 0)
        span = max(first_us, ground.start_us), min(stop_us - 1, ground.until_us)
        for work in self._works(ground, span):
            for changes in work.changes():
                changes.results = [
                    r for r in changes.results if first_us <= r.identity[-1] < stop_us
                ]
                changes.stretches = [
                    replace(s, first_us=max(s.first_us, first_us), stop_us=min(s.stop_us, stop_us))
                    for s in changes.stretches
                    if s.first_us < stop_us and s.stop_us > first_us
                ]
                changes.renew = True
                written.update(self._commit(changes, progress))
        return Settled(written, 0)

    def _ground(self) -> Ground | None:
        """What there is to stand on; None without records."""
        extent = self._journal.extent()
        if not extent:
            return None
        start = min(first for first, _, _ in extent.values())
        kept_from = self._journal.kept_from()
        return Ground(
            self._file.station,
            self._journal,
            self._anchors,
            start_us=start if kept_from is None else max(start, kept_from),
            until_us=max(last for _, last, _ in extent.values()),
            last_us={channel: last for channel, (_, last, _) in extent.items()},
        )

    def _works(self, ground: Ground, span: tuple[int, int]) -> Iterator[AnalyzerWork]:
        for analyzer in self._file.station.analyzers:
            if analyzer.sampling == "vials":
                continue
            yield AnalyzerWork(ground, analyzer, span)

    def _commit(self, changes: Changes, progress: Progress | None) -> Written:
        changes.station_digest = self._file.digest
        changes.station_content = self._file.provenance
        changes.software_version = __version__
        written = self._writer.commit(changes)
        if progress:
            progress(1.0 / len(self._file.station.analyzers))
        return written
