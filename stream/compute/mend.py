"""What is damaged is taken out of the records and brought again, and the work goes on; what was
stored of it stays as it is meanwhile.
"""

import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from stream.errors import RecordsDamaged
from stream.station import FolderSource, StationFile
from stream.store import Store
from stream.store.journal.journal import Damage
from stream.store.journal.mending import Mending
from stream.store.results.changes import Changes, Scope
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


def spare(
    changes: Changes, lost: Sequence[tuple[int, int]], stored: frozenset[tuple[str, int]]
) -> None:
    """Let a commit change nothing that is stored of times whose records are lost.

    Parameters
    ----------
    changes : Changes
        Is changed.
    lost : sequence of (first, last)
        Times [µs].
    stored : set of (chamber, closed)
        Closures that are stored of these times [µs]; others are new and may be added.
    """
    changes.results = [
        r
        for r in changes.results
        if not _within(r.identity[-1], lost)
        or (r.kind == "closures" and tuple(r.identity) not in stored)
    ]
    changes.scopes = list(_without(changes.scopes, lost))


def _within(at_us: int, spans: Iterable[tuple[int, int]]) -> bool:
    return any(first <= at_us <= last for first, last in spans)


def _without(stretches: Iterable[Scope], lost: Sequence[tuple[int, int]]) -> Iterator[Scope]:
    """What is left of stretches outside of some spans."""
    for stretch in stretches:
        parts = [(stretch.first_us, stretch.stop_us)]
        for first, last in lost:
            parts = [
                part
                for a, b in parts
                for part in ((a, min(b, first)), (max(a, last + 1), b))
                if part[0] < part[1]
            ]
        for a, b in parts:
            yield replace(stretch, first_us=a, stop_us=b)
