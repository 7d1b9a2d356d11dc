"""A station that takes what its folder brings, without a process around it."""

from collections.abc import Callable
from dataclasses import asdict

from small import stored

from stream.compute.replay import Pipeline
from stream.ingest.files.folder import FolderWatch
from stream.ingest.files.position import Position
from stream.station import FolderSource, StationFile, read_clock
from stream.store import Store
from stream.store.results.readers import Reader

Make = Callable[..., StationFile]
OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]
SOURCE = FolderSource(kind="folder", path="incoming", pattern="log*")


class Station:
    """Takes what the folder ``incoming`` brings, and can be started anew."""

    def __init__(self, file: StationFile, open_parts: OpenParts, url: str) -> None:
        self.file, self.open_parts, self.url = file, open_parts, url
        self.folder = file.beside("incoming")
        self.folder.mkdir()
        self.source = SOURCE
        self.read_bytes = 0
        self.start()

    def start(self) -> None:
        self.store, self.parts = self.open_parts(self.file, self.url)
        known = [Position(**row) for row in Reader(self.store, "small").positions()]
        orders = Reader(self.store, "small").date_orders()
        self.watch = FolderWatch(self.file.station, self.source, self.folder, known, orders)

    @property
    def utc_offset_s(self) -> int:
        offset = read_clock(self.file.station.station.clock).utcoffset(None)
        assert offset is not None
        return int(offset.total_seconds())

    def poll(self, pieces: int = 10**9) -> int:
        """Take what is there, but no more than so many pieces: then the power fails."""
        taken = 0
        for batch, position in self.watch.poll():
            if taken == pieces:
                break
            rows = [] if position is None else [asdict(position)]
            self.parts.intake.take(batch, rows)
            taken += 1
        return taken

    def records(self) -> dict[str, list[tuple[int, float]]]:
        found = self.parts.journal.read(self.parts.journal.extent(), 0, 2**62)
        filled = {c: s.filled() for c, s in found.items()}
        return {
            c: list(zip(s.times.tolist(), s.values.tolist(), strict=True))
            for c, s in filled.items()
        }

    def quarantine(self) -> list[tuple[object, ...]]:
        return stored(self.store, "quarantine")["quarantine"]
