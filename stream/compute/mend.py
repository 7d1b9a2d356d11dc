"""What is damaged is taken out of the records and brought again, and the work goes on."""

import time

from stream.errors import RecordsDamaged
from stream.station import FolderSource, StationFile
from stream.store import Store
from stream.store.journal.journal import Damage
from stream.store.journal.mending import Mending
from stream.store.station_data import Marks
from stream.times import rfc3339


def set_aside(file: StationFile, store: Store, error: RecordsDamaged) -> Damage | None:
    """Take a damaged block or day out of the journal, and have folders read again when the
    service runs.

    Returns
    -------
    Damage or None
        None where it is gone already, or sound after all.
    """
    mending = Mending(store, file.station.id, file.archive)
    found = mending.set_aside(error, time.time_ns() // 1000)
    if found is not None:
        marks = Marks(store, file.station.id)
        for source in file.station.sources:
            if isinstance(source, FolderSource):
                marks.put(again_mark(source), "yes")
    return found


def sentence(error: RecordsDamaged, found: Damage) -> str:
    """What was set aside, for people."""
    return (
        f"{error}: records from {rfc3339(found.first_us)} to {rfc3339(found.last_us)} are set"
        " aside. Bring the files that held them, or a copy of the archive's day, again"
    )


def again_mark(source: FolderSource) -> str:
    """The mark that lets a folder be read from the beginning."""
    return f"read again: {source.path}"
