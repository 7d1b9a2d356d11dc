"""The clock of each source, which must stay what it was while its records are stored."""

from stream.errors import CommandError
from stream.station import FolderSource, StationFile
from stream.store import Store
from stream.store.journal.journal import Journal
from stream.store.marks import Marks


def check_clocks(file: StationFile, store: Store) -> None:
    """Hold the clocks of folders against those by which stored records were read.

    Raises
    ------
    CommandError
        One is another now: the same lines would be taken once more, at other times.
    """
    station = file.station
    marks = Marks(store, station.id)
    stored = bool(Journal(store, station.id, file.archive).extent())
    for source in station.sources:
        if not isinstance(source, FolderSource):
            continue
        name, clock = f"clock: {source.path}", source.clock or station.station.clock
        before = marks.get(name)
        if stored and before is not None and before != clock:
            raise CommandError(
                f"{file.path}: the clock of {source.path!r} is {clock!r} now, and was {before!r}"
                " when its stored records were read: they would stand there twice. Put it back;"
                " or read all files into a new database; or give files of another clock a folder"
                " and a [[sources]] of their own"
            )
        if before != clock:
            marks.put(name, clock)
