"""A watched folder: growing files by whole lines, and whatever else loggers do to files.

A position says how far a file has been taken and how to know the file again. It is
only a saving of work: a file that is taken twice brings no record twice. So whenever
a file is not plainly the one that was read before, it is read from its beginning.
"""

import time
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import BinaryIO, Final

import numpy as np

from stream.errors import SourceError, SourceWaits
from stream.ingest.batches import Batch, refused_batch, tidy
from stream.ingest.broker.senml import is_json
from stream.ingest.delimited.cells import WholeLines, ends_with_returns
from stream.ingest.delimited.layout import SETTLED, layout_from_json
from stream.ingest.delimited.lines import MAX_LINE
from stream.ingest.delimited.reading import BLOCK_BYTES, NEVER, Found, Place, TextFiles
from stream.ingest.files.contents import PACKED_TOO, Listed, is_packed, list_folder, open_content
from stream.ingest.files.growing import GrowingPacks, GrowingText
from stream.ingest.files.position import HEAD, Position, Positions, digest, tail_digest
from stream.ingest.files.recordings import look_at, looks_like_senml, read_recording
from stream.ingest.times.dates import as_order
from stream.ingest.times.waiting import WaitingDates
from stream.station import FolderSource, Station

_LAYOUT_HEAD: Final = 64 * 1024
STALE_S: Final = 3600.0
"""A last line without its end, in a file that has not changed for so long, is cut off."""
_START: Final = Place(0, NEVER, NEVER)


Chunk = tuple[Batch, Position | None]
"""Records of a file, and the position to commit with them, if any."""


class FolderWatch:
    """Watches one folder.

    Parameters
    ----------
    station : Station
    source : FolderSource
    folder : Path
    known : iterable of Position
        As committed before.
    date_orders : mapping
        Source and shape → order of day and month, as settled before.
    """

    def __init__(
        self,
        station: Station,
        source: FolderSource,
        folder: Path,
        known: Iterable[Position] = (),
        date_orders: Mapping[tuple[str, str], str] = MappingProxyType({}),
    ) -> None:
        self._station = station
        self._source = source
        self._folder = folder
        self._known = Positions(p for p in known if p.folder == source.path)
        self._texts = TextFiles.of(station, source)
        self._dates = WaitingDates(self._texts, date_orders)
        self._seen: dict[str, tuple[int, int]] = {}
        self._told: set[tuple[str, int, str]] = set()
        # Not kept over a restart, which may bring a corrected station file.
        self._refused: dict[str, tuple[int, int]] = {}
        self._patterns = [source.pattern + ending for ending in PACKED_TOO]
        self.waiting_bytes = 0
        """Bytes of the folder's files that were not taken, as of the last poll."""

    def poll(self) -> Iterator[Chunk]:
        """What has come since the last time, oldest file first.

        A position counts as committed once the next piece is asked for.

        Raises
        ------
        SourceLost
            The folder cannot be read now.
        """
        listing = list_folder(self._folder, self._patterns)
        files = sorted(listing.files, key=lambda f: (f.stat.st_mtime_ns, f.name))
        self.waiting_bytes = self._left_of(files)
        self._dates.only({file.name for file in files})
        for name, reason in listing.refused:
            if not self._is_told(name, 0, reason):
                yield refused_batch(name, 0, reason, b""), None
        for file in files:
            try:
                yield from self._take(file)
            except FileNotFoundError:
                continue  # renamed or removed a moment ago; it is found under its new name
            except (OSError, SourceError) as error:
                yield from self._refuse(file, error)
        self.waiting_bytes = self._left_of(files)

    def _left_of(self, files: Iterable[Listed]) -> int:
        places = (
            (file.stat.st_size, self._known.of(file))
            for file in files
            if not self._is_refused(file)
        )
        return sum(max(0, size - (place.offset if place else 0)) for size, place in places)

    def _take(self, file: Listed) -> Iterator[Chunk]:
        if self._is_refused(file):
            return
        size = file.stat.st_size
        position = self._known.of(file)
        if position is not None and position.is_of(file):
            if position.offset < size:
                yield from self._cut_off_line(file, position)
            return
        if size == 0:
            return
        with file.path.open("rb") as raw:
            head = raw.read(_LAYOUT_HEAD)
            packed = is_packed(head)
            if packed or _is_one_document(head):
                if self._is_quiet(file):
                    yield from self._whole(file, head)
                return
            if b"\n" not in head and not ends_with_returns(head):
                if len(head) < _LAYOUT_HEAD:
                    return
                raise SourceError(f"{file.name}: its first line is too long for a log")
            known = self._known.same_file(file, raw, head)
            # Bytes that were written before the offset are taken; a changed time alone is noted.
            if known is not None and known.offset == size:
                self._known.put(known.seen(file))
                return
            yield from self._tail(file, raw, head, known)

    def _tail(
        self,
        file: Listed,
        raw: BinaryIO,
        head: bytes,
        known: Position | None,
        ambiguous: str | None = None,
    ) -> Iterator[Chunk]:
        """Whole lines from where the file was left; a date among them may be ambiguous that is
        written in another way than those before it.
        """
        lines = self._lines_of(file, head, known, ambiguous)
        if lines is None:
            yield from self._ask(file)
            return
        offset = known.offset if known else 0
        raw.seek(offset)
        latest = known
        for block, left_out in WholeLines(raw, lines.encoding, BLOCK_BYTES, lines.longest):
            offset += left_out
            # Until the end is reached the file looks changed, so that reading goes on.
            size = file.stat.st_size if raw.tell() >= file.stat.st_size else -1
            for batch, place, count in lines.read(block):
                if lines.ambiguous is not None and ambiguous is None:
                    yield from self._tail(file, raw, head, latest, lines.ambiguous)
                    return
                offset += count
                position = Position(
                    self._source.path, file.name, file.stat.st_ino, size,
                    file.stat.st_mtime_ns, offset, place.line, place.local_us, place.latest_us,
                    min(HEAD, offset), digest(head[: min(HEAD, offset)]),
                    tail_digest(raw, offset), lines.layout,
                )  # fmt: skip
                yield batch, position
                self._known.put(position)
                latest = position
        if latest is not None:
            self._known.put(latest.seen(file))

    def _lines_of(
        self, file: Listed, head: bytes, known: Position | None, ambiguous: str | None
    ) -> "GrowingText | GrowingPacks | None":
        """What reads on in the file; None where its layout is not settled yet."""
        name = file.name
        place = Place(known.line, known.local_us, known.latest_us) if known else _START
        if looks_like_senml(head):
            return GrowingPacks(self._station, name, place)
        opened = self._opened_again(name, head, known)
        if opened is None:
            opened = self._texts.find(name, head)
        if opened is None:
            if len(head) < _LAYOUT_HEAD and not self._is_quiet(file):
                return None
            raise self._texts.why_not(name, head)
        order = None
        if ambiguous is not None:
            opened = replace(opened, ambiguous=ambiguous)
        if opened.ambiguous is not None:
            whole = self._texts.find(name, head) if ambiguous is not None else None
            asked = opened if whole is None else replace(whole, ambiguous=ambiguous)
            order = self._dates.settle(name, file.stat, asked, lambda: file.path.open("rb"))
            if order is None:
                return None
        reader = self._texts.reader(opened, as_order(order.date_order) if order else None)
        if place.line:
            reader.go_on_from(place)
        return GrowingText(reader, opened.encoding, order)

    def _opened_again(self, name: str, head: bytes, known: Position | None) -> Found | None:
        """A file by its layout as it was read last; None where that is not known."""
        layout = layout_from_json(known.layout) if known and known.layout else None
        again = None if layout is None else self._texts.again(name, head, layout)
        if again is None or again.layout.since_header == SETTLED:
            return again
        # No record was read behind the header yet: dates may still need their order.
        first = self._texts.find(name, head)
        return again if first is None else replace(again, ambiguous=first.ambiguous)

    def _ask(self, file: Listed) -> Iterator[Chunk]:
        """Tell of a file that waits for people to say how its dates are written."""
        name = file.name
        if self._dates.is_waiting(name) and self._is_quiet(file):
            reason = self._dates.question(name)
            if not self._is_told(name, file.stat.st_size, reason):
                yield refused_batch(name, 0, reason.removeprefix(f"{name}: "), b""), None

    def _whole(self, file: Listed, head: bytes) -> Iterator[Chunk]:
        """A compressed file, or one JSON document: as a whole once it does not change."""
        recording = look_at(self._station, file.path, self._source)
        if recording.text is not None and recording.dates is not None:
            opener = partial(open_content, file.path)
            order = self._dates.settle(file.name, file.stat, recording.text, opener)
            if order is None:
                yield from self._ask(file)
                return
            recording = replace(recording, settled=order)
        done = replace(self._at_end(file), head_digest=digest(head[:HEAD]))
        # One piece behind, so that the last one bears the position that says "done".
        waiting: Batch | None = None
        for batch, _ in read_recording(self._station, recording):
            if waiting is not None:
                yield waiting, replace(done, size=-1, offset=0)
            waiting = batch
        if waiting is None:
            nothing = np.empty(0, np.int64)
            waiting = tidy(file.name, nothing, {}, nothing)
        yield waiting, done
        self._known.put(done)

    def _at_end(self, file: Listed) -> Position:
        """The position of a file that is done with until it changes."""
        stat = file.stat
        return Position(
            self._source.path, file.name, stat.st_ino, stat.st_size, stat.st_mtime_ns,
            stat.st_size, 0, NEVER, NEVER, 0, "", "",
        )  # fmt: skip

    def _is_quiet(self, file: Listed) -> bool:
        """Whether a file is as it was at the poll before."""
        now = (file.stat.st_size, file.stat.st_mtime_ns)
        before, self._seen[file.name] = self._seen.get(file.name), now
        return before == now

    def _cut_off_line(self, file: Listed, position: Position) -> Iterator[Chunk]:
        if time.time() - file.stat.st_mtime < STALE_S:
            return
        if self._is_told(file.name, file.stat.st_size, "cut off"):
            return
        with file.path.open("rb") as raw:
            raw.seek(position.offset)
            rest = raw.read(MAX_LINE)
        if rest.strip():
            reason = "cut off: the last line has no line end"
            yield refused_batch(file.name, position.line + 1, reason, rest), position

    def _refuse(self, file: Listed, error: Exception) -> Iterator[Chunk]:
        """A file that cannot be read: a line in quarantine; another try once it changes or after
        a restart, or at once where the disk or a permission refuses, or the station file must
        say more.
        """
        if isinstance(error, OSError | SourceWaits):
            reason = str(error).removeprefix(f"{file.name}: ")
            if isinstance(error, OSError):
                reason = f"the file cannot be read: {error.strerror}"
            size = file.stat.st_size if isinstance(error, OSError) else 0
            if not self._is_told(file.name, size, reason):
                yield refused_batch(file.name, 0, reason, b""), None
            return
        reason = str(error).removeprefix(f"{file.path}: ")
        self._refused[file.name] = (file.stat.st_size, file.stat.st_mtime_ns)
        yield refused_batch(file.name, 0, reason, b""), None

    def _is_refused(self, file: Listed) -> bool:
        """Whether a file was refused as it is."""
        return self._refused.get(file.name) == (file.stat.st_size, file.stat.st_mtime_ns)

    def _is_told(self, name: str, size: int, what: str) -> bool:
        key = (name, size, what)
        if key in self._told:
            return True
        self._told.add(key)
        return False


def _is_one_document(head: bytes) -> bool:
    """JSON that is not one pack a line."""
    if not looks_like_senml(head):
        return False
    first, end, _ = head.partition(b"\n")
    return not end or not is_json(first)
