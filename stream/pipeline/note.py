"""Writing into the field log, beside a running service or without one."""

import time
import uuid
from contextlib import closing
from dataclasses import asdict, dataclass, replace

from stream.errors import CommandError, StoreTaken
from stream.pipeline.replay import join
from stream.pipeline.settle import Settled
from stream.station import FieldNote, Station, StationFile, check_note, read_notes, standing
from stream.store import Store, WriterLock, open_store
from stream.store.notes import Notes


@dataclass(frozen=True, slots=True)
class Noted:
    """A note that was kept.

    Attributes
    ----------
    number : int
    settled : Settled or None
        What it changed; None where the running service sees to that.
    """

    number: int
    settled: Settled | None


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
        held = {n.number for n in standing(read_notes(notes.all()))}
        backs = {n.number for n in read_notes(notes.all()) if n.kind == "taken_back"}
        if note.refers not in held | backs:
            raise CommandError(f"note {note.refers}: no such note holds; see the field log")
    row = asdict(note)
    del row["number"]
    return notes.add({**row, "key": key or uuid.uuid4().hex})


def write_note(file: StationFile, url: str, note: FieldNote) -> Noted:
    """Keep a note, and work out what it changes unless a service runs, which then does.

    Raises
    ------
    CommandError, StoreError
        As :func:`keep_note`.
    """
    with closing(open_store(url)) as store:
        number = keep_note(store, file.station, note)
        try:
            with WriterLock(store, file.station.id):
                return Noted(number, join(file, store).settlement.settle())
        except StoreTaken:
            return Noted(number, None)
