"""What is damaged is taken out of the records and brought again, and the work goes on."""

import time
from collections.abc import Callable
from typing import ParamSpec, TypeVar

from stream.errors import RecordsDamaged
from stream.station import FolderSource, StationFile
from stream.store import Store
from stream.store.journal.journal import Damage
from stream.store.journal.mending import Mending
from stream.store.station_data import Marks
from stream.times import rfc3339

P = ParamSpec("P")
T = TypeVar("T")


class Mender:
    """Sets damaged pieces aside and lets folders be read again.

    Parameters
    ----------
    file : StationFile
    store : Store
    """

    def __init__(self, file: StationFile, store: Store) -> None:
        self._file = file
        self._store = store
        self._marks = Marks(store, file.station.id)
        self.told: list[str] = []
        """What was set aside, a line each."""

    def through(self, work: Callable[P, T], *given: P.args, **named: P.kwargs) -> T:
        """Do something with the journal, again after each damaged piece.

        Raises
        ------
        RecordsDamaged
            One that cannot be set aside.
        """
        while True:
            try:
                return work(*given, **named)
            except RecordsDamaged as error:
                found = self.set_aside(error)
                if found is None:
                    raise

    def set_aside(self, error: RecordsDamaged) -> Damage | None:
        """Take a piece out of the journal, and have folders read again when the service runs.

        Returns
        -------
        Damage or None
            None where it is gone already, or sound after all.
        """
        mending = Mending(self._store, self._file.station.id, self._file.archive)
        found = mending.set_aside(error, time.time_ns() // 1000)
        if found is not None:
            first, last = rfc3339(found.first_us), rfc3339(found.last_us)
            self.told.append(
                f"{error}: records from {first} to {last} are set aside. Bring the files that"
                " held them, or a copy of the archive's day, again"
            )
            for source in self._file.station.sources:
                if isinstance(source, FolderSource):
                    self._marks.put(again_mark(source), "yes")
        return found


def again_mark(source: FolderSource) -> str:
    """The mark that lets a folder be read from the beginning."""
    return f"read again: {source.path}"
