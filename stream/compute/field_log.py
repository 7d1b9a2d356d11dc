"""Notes of the field log make the closures unsettled that they bear on."""

from collections.abc import Sequence

from stream.ingest.intake import join_spans
from stream.note_kinds import KINDS, TAKEN_BACK
from stream.station import FieldNote, Station, StationFile, amended, read_notes
from stream.store.journal.journal import Journal
from stream.store.results.changes import Changes
from stream.store.results.writer import Writer
from stream.store.station_data import Notes
from stream.times import to_micros


def take_notes(file: StationFile, log: Notes, journal: Journal, writer: Writer) -> None:
    """Make unsettled what the notes bear on that nobody has taken up, in one commit.

    Parameters
    ----------
    file : StationFile
    log, journal, writer : Notes, Journal, Writer
        Of the station.
    """
    numbers, rows = log.waiting(), log.all()
    notes, station = {n.number: n for n in read_notes(rows)}, amended(file, rows).station
    until = max((last for _, last, _ in journal.extent().values()), default=0)
    spans = [
        span
        for number in numbers
        for about in _and_what_it_takes_back(notes[number], notes)
        for span in _bears_on(station, about, until)
    ]
    writer.commit(
        Changes(
            notes_taken=numbers,
            unsettled=join_spans([*journal.unsettled(), *spans]) if spans else None,
        )
    )


def _bears_on(station: Station, note: FieldNote, until_us: int) -> list[tuple[int, int]]:
    if note.at_us > until_us:
        return []
    reworks = KINDS[note.kind].reworks
    if reworks == "period":
        last = until_us if note.until_us is None else min(note.until_us, until_us)
        return [(note.at_us, last)]
    if reworks == "height":
        heights = [h for c in station.chambers if c.id == note.chamber for h in c.heights]
        later = [at for h in heights if (at := to_micros(h.from_)) > note.at_us]
        return [(note.at_us, min([until_us, *later]))]
    return []


def _and_what_it_takes_back(note: FieldNote, notes: dict[int, FieldNote]) -> Sequence[FieldNote]:
    found = [note]
    while note.kind == TAKEN_BACK and note.refers in notes and note.refers < note.number:
        note = notes[note.refers]
        found.append(note)
    return found
