"""Writing into the field log."""

import time
import uuid
from dataclasses import asdict, replace

from stream.errors import CommandError
from stream.station import FieldNote, Station, check_note, read_notes, standing
from stream.store import Store
from stream.store.station_data import Notes


def keep_note(store: Store, station: Station, note: FieldNote, key: str = "") -> int:
    """Check a note and keep it; the writer of results takes it up.

    Parameters
    ----------
    store : Store
    station : Station
    note : FieldNote
        Its number and the time of writing are given here.
    key : str
        The same note sent twice under one key is kept once.

    Returns
    -------
    int
        Its number.

    Raises
    ------
    CommandError
        It cannot be meant.
    StoreError
        The database refuses.
    """
    now = time.time_ns() // 1000
    note = replace(note, written_us=now, text=note.text.strip(), author=note.author.strip())
    check_note(station, note, now)
    notes = Notes(store, station.id)
    if note.kind == "taken_back":
        known = read_notes(notes.all())
        holding = {n.number for n in standing(known)}
        holding |= {n.number for n in known if n.kind == "taken_back"}
        if note.refers not in holding:
            raise CommandError(f"note {note.refers}: no such note holds; see the field log")
    row = asdict(note)
    del row["number"]
    return notes.add({**row, "key": key or uuid.uuid4().hex})
