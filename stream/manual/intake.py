"""Tables of vials and of runs into the store: whole, and again when somebody corrects them."""

import hashlib
from dataclasses import dataclass

from stream.ingest.batches import Reject
from stream.ingest.intake import Intake, join_spans, quarantine_row
from stream.manual.closures import closures_in
from stream.manual.tables import ManualTable, read_table, table_text
from stream.station import Station
from stream.store.journal.journal import Journal
from stream.store.results.changes import Changes, Row
from stream.store.results.writer import Writer
from stream.store.station_data import ManualTables
from stream.times import rfc3339


@dataclass(frozen=True, slots=True)
class TakenTable:
    """What taking a table did.

    Attributes
    ----------
    kind : str
        ``vials`` or ``run``.
    changed : bool
        Whether it was new, or another than before.
    rows, refused : int
        Rows that were understood, and rows that are newly in quarantine.
    refusals : list of rows
        All rows that could not be taken.
    lines : int
        Of the table.
    odd : tuple of str
        What is said of numbers that cannot be right; their rows are kept, and flagged.
    """

    kind: str
    changed: bool
    rows: int
    refused: int
    refusals: list[Row]
    lines: int
    odd: tuple[str, ...] = ()


class ManualIntake:
    """Takes the tables of one station."""

    def __init__(
        self,
        station: Station,
        tables: ManualTables,
        journal: Journal,
        intake: Intake,
        writer: Writer,
    ) -> None:
        self._station = station
        self._tables = tables
        self._journal = journal
        self._intake = intake
        self._writer = writer

    def take(self, name: str, raw: bytes) -> TakenTable:
        """Make a table durable, and what it bears on unsettled, in one commit.

        A table is known by its name. The same again changes nothing; with other content
        it takes the place of the one before, which stays readable.

        Raises
        ------
        SourceError
            It is no table of vials or of a run.
        """
        text = table_text(name, raw)
        table = read_table(self._station, name, text)
        digest = hashlib.blake2b(text.encode(), digest_size=16).hexdigest()
        kept = self._tables.current()
        rows = len(table.samples) + len(table.injections)
        lines = len(text.splitlines())
        refusals = [quarantine_row(r) for r in (*table.rejects, *self._too_old(table))]
        before = [k for k in kept if (k.kind, k.name) == (table.kind, name)]
        if before and before[0].digest == digest:
            return TakenTable(table.kind, False, rows, 0, refusals, lines, table.odd)
        others = [read_table(self._station, k.name, k.content) for k in kept]
        spans = self._touched(table, others)
        written = self._writer.commit(
            Changes(
                rejects=refusals,
                hand_tables=[{"kind": table.kind, "name": name, "digest": digest, "content": text}],
                unsettled=join_spans([*self._journal.unsettled(), *spans]),
            )
        )
        self._intake.refresh()
        new = written["quarantine", "new"]
        return TakenTable(table.kind, True, rows, new, refusals, lines, table.odd)

    def _touched(self, table: ManualTable, others: list[ManualTable]) -> list[tuple[int, int]]:
        """Spans of the closures that a table bears on, or did before it was corrected."""
        versions = [t for t in others if (t.kind, t.name) == (table.kind, table.name)]
        versions.append(table)
        if table.kind == "vials":
            return [(c.closed_us, c.opened_us) for t in versions for c in closures_in([t])]
        vials = {i.vial for t in versions for i in t.injections if i.vial is not None}
        return [
            (c.closed_us, c.opened_us)
            for c in closures_in([t for t in others if t.kind == "vials"])
            if any(s.vial in vials for _, s in c.samples)
        ]

    def _too_old(self, table: ManualTable) -> list[Reject]:
        """Of days whose records were removed results stay as they are."""
        kept_from = self._journal.kept_from()
        if kept_from is None:
            return []
        reason = f"its day is before {rfc3339(kept_from)}, removed by archive.keep_days"
        return [
            Reject(table.name, s.line, reason, f"{s.chamber},{rfc3339(s.closed_us)},{s.vial}")
            for s in table.samples
            if s.closed_us < kept_from
        ]
