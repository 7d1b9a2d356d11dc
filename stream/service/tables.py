"""Tables of vials and of runs from a folder: taken whole, and again when they are changed."""

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Final

from stream.errors import SourceError, SourceLost
from stream.ingest.broker.mqtt import Tell
from stream.ingest.files.contents import Listed, list_folder
from stream.manual.intake import ManualIntake
from stream.service.inbox import Inbox, Task
from stream.service.process.state import SourceState
from stream.station import StationFile, TablesSource

POLL_S: Final = 1.0
Signature = tuple[int, int]
"""Size, and time of the last change [ns]."""


class TableIntake:
    """Looks after one folder of tables.

    A table is read once its file has not changed between two looks, so that one that is
    still being saved is left alone. What became of it is remembered for as long as the
    service runs; after a restart all are looked at, and the same again changes nothing.
    """

    def __init__(
        self,
        file: StationFile,
        source: TablesSource,
        hand: ManualIntake,
        inbox: Inbox,
        shown: SourceState,
        tell: Tell,
    ) -> None:
        self._folder = file.beside(source.path)
        self._pattern = source.pattern
        self._hand = hand
        self._inbox = inbox
        self._shown = shown
        self._tell = tell
        self._seen: dict[Path, Signature] = {}
        self._taken: dict[Path, Signature] = {}
        self._told: set[str] = set()

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        """Poll until ``stop`` is set."""
        while not stop.is_set():
            beat()
            self.look()
            stop.wait(POLL_S)

    def look(self) -> None:
        """Hand over the tables that are new or changed, and at rest."""
        try:
            listing = list_folder(self._folder, [self._pattern])
        except SourceLost as error:
            if self._shown.connected:
                self._tell("warning", "folder away", error=str(error))
            self._shown.connected = False
            return
        self._shown.connected = True
        for name, reason in listing.refused:
            self._refuse(f"{name}: {reason}")
        found = {f.path: (f.stat.st_size, f.stat.st_mtime_ns) for f in listing.files}
        for file in sorted(listing.files, key=lambda f: f.name):
            signature = found[file.path]
            if self._taken.get(file.path) != signature == self._seen.get(file.path):
                self._taken[file.path] = signature
                self._inbox.put(Task(f"table {file.name}", self._work(file), brings=True))
        self._seen = found

    def _refuse(self, error: str) -> None:
        if error not in self._told:
            self._told.add(error)
            self._tell("warning", "table refused", error=error)

    def _work(self, file: Listed) -> Callable[[], None]:
        def take() -> None:
            try:
                content = file.path.read_bytes()
            except OSError as error:
                self._taken.pop(file.path, None)
                self._refuse(f"{file.name}: cannot be read: {error.strerror}")
                return
            try:
                taken = self._hand.take(file.name, content)
            except SourceError as error:
                self._tell("warning", "table refused", error=str(error))
                return
            except Exception:
                # The database may be away: look at the file again.
                self._taken.pop(file.path, None)
                raise
            if taken.changed and taken.odd:
                self._tell("warning", "table odd", error="; ".join(taken.odd[:5]))
            if taken.changed:
                self._tell(
                    "info", "table taken", table=file.name, kind=taken.kind, rows=taken.rows,
                    quarantined=taken.refused,
                )  # fmt: skip

        return take
