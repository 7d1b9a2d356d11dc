"""Notes of the field log make the closures unsettled that they bear on."""

from collections.abc import Sequence

from stream.ingest.intake import join_spans
from stream.note_kinds import KINDS, TAKEN_BACK
from stream.station import FieldNote, StationFile, amended, read_notes
from stream.store.journal.journal import Journal
from stream.store.results.changes import Changes
from stream.store.results.writer import Writer
from stream.store.station_data import Notes
from stream.times import to_micros


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
