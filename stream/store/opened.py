"""What one sits before who reads a station's results: its readers, and its file as amended."""

from dataclasses import dataclass

from stream.station import StationFile, amended
from stream.store import Store
from stream.store.journal.journal import Journal
from stream.store.notes import Notes
from stream.store.results.readers import Reader
from stream.store.summaries import Summaries


@dataclass(frozen=True, slots=True)
class StationData:
    """The station file with what the field log adds to it, and readers of its store."""

    file: StationFile
    store: Store
    reader: Reader
    journal: Journal
    kept: Summaries

    @classmethod
    def over(cls, file: StationFile, store: Store) -> "StationData":
        """Over an open store."""
        name = file.station.id
        return cls(
            amended(file, Notes(store, name).all()),
            store,
            Reader(store, name),
            Journal(store, name, file.archive),
            Summaries(store, name),
        )
