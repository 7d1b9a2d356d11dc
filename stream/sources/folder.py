"""A watched folder: growing files by whole lines, and whatever else loggers do to files.

A position says how far a file has been taken and how to know the file again. It is
only a saving of work: a file that is taken twice brings no record twice. So whenever
a file is not plainly the one that was read before, it is read from its beginning.
"""

import hashlib
import time
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from fnmatch import fnmatch
from functools import partial
from os import stat_result
from pathlib import Path
from types import MappingProxyType
from typing import BinaryIO, Final

import numpy as np

from stream.errors import SourceError, SourceLost
from stream.records import Batch, refused_batch, tidy
from stream.sources.delimited import BLOCK_BYTES, NEVER, Place
from stream.sources.growing import GrowingPacks, GrowingText
from stream.sources.layout import SETTLED, layout_from_json
from stream.sources.opening import Found, TextFiles
from stream.sources.replay import (
    as_order,
    is_json,
    look_at,
    looks_like_senml,
    read_recording,
)
from stream.sources.unpack import is_packed, open_content
from stream.sources.waiting import WaitingDates
from stream.station import FolderSource, Station

_HEAD: Final = 4096
_LAYOUT_HEAD: Final = 64 * 1024
_TAIL: Final = 256
_MAX_LINE: Final = 1024 * 1024
STALE_S: Final = 3600.0
"""A last line without its end, in a file that has not changed for so long, is cut off."""
_START: Final = Place(0, NEVER, NEVER)


@dataclass(frozen=True, slots=True)
class Position:
    """How far a file has been taken, and how to know it again.

    Attributes
    ----------
    folder, name : str
        Which file; the folder as the station file writes it.
    inode, size, modified_ns : int
        As they were when it was last looked at; a file that still has them is not read.
    offset, line : int
        Bytes and lines taken.
    local_us, latest_us : int
        See :class:`Place`.
    head_bytes : int
        Length of the beginning that ``head_digest`` is of.
    head_digest, tail_digest : str
        Of the beginning, and of the bytes before the offset.
    layout : str or None
        How the lines behind the offset are written, as :meth:`Layout.to_json` gives it.
    """

    folder: str
    name: str
    inode: int
    size: int
    modified_ns: int
    offset: int
    line: int
    local_us: int
    latest_us: int
    head_bytes: int
    head_digest: str
    tail_digest: str
    layout: str | None = None


Piece = tuple[Batch, Position | None]
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
        self._known = {p.name: p for p in known if p.folder == source.path}
        self._texts = TextFiles.of(station, source)
        self._dates = WaitingDates(self._texts, date_orders)
        self._seen: dict[str, tuple[int, int]] = {}
        self._told: set[tuple[str, int, str]] = set()
        self._patterns = [source.pattern + ending for ending in ("", ".gz", ".zst")]

    def poll(self) -> Iterator[Piece]:
        """What has come since the last time, oldest file first.

        A position counts as committed once the next piece is asked for.

        Raises
        ------
        SourceLost
            The folder cannot be read now.
        """
        files = self._files()
        self._dates.only({path.name for path, _ in files})
        for path, stat in files:
            try:
                yield from self._take(path, stat)
            except FileNotFoundError:
                continue  # renamed or removed a moment ago; it is found under its new name
            except (OSError, SourceError) as error:
                yield from self._refuse(path, stat, error)

    def waiting_bytes(self) -> int:
        """Bytes of the folder's files that have not been taken."""
        return sum(
            max(0, stat.st_size - (p.offset if (p := self._known.get(path.name)) else 0))
            for path, stat in self._files()
        )

    def _files(self) -> list[tuple[Path, stat_result]]:
        found: list[tuple[Path, stat_result]] = []
        try:
            for path in self._folder.iterdir():
                if any(fnmatch(path.name, pattern) for pattern in self._patterns):
                    try:
                        stat = path.stat()
                    except FileNotFoundError:
                        continue
                    if path.is_file():
                        found.append((path, stat))
        except OSError as error:
            raise SourceLost(
                f"{self._folder}: the watched folder cannot be read: {error.strerror}"
            ) from None
        return sorted(found, key=lambda f: (f[1].st_mtime_ns, f[0].name))

    def _take(self, path: Path, stat: stat_result) -> Iterator[Piece]:
        position = self._known.get(path.name)
        if position is not None and _looks_the_same(position, stat):
            if position.offset < stat.st_size:
                yield from self._cut_off_line(path, stat, position)
            return
        if stat.st_size == 0:
            return
        with path.open("rb") as file:
            head = file.read(_LAYOUT_HEAD)
            packed = is_packed(head)
            if packed or _is_one_document(head):
                if self._is_quiet(path, stat):
                    yield from self._whole(path, stat, head)
                return
            if b"\n" not in head:
                if len(head) < _LAYOUT_HEAD:
                    return
                raise SourceError(f"{path.name}: its first line is too long for a log")
            known = self._same_file(file, path, stat, head)
            # Bytes that were written before the offset are taken; a changed time alone is noted.
            if known is not None and known.offset == stat.st_size:
                self._known[path.name] = _seen_now(known, path, stat)
                return
            yield from self._tail(file, path, stat, head, known)

    def _same_file(
        self, file: BinaryIO, path: Path, stat: stat_result, head: bytes
    ) -> Position | None:
        """The position to go on from: of this name, or of the name that the file had before."""
        candidates = [p for p in self._known.values() if p.name == path.name]
        candidates += [
            p for p in self._known.values() if p.inode == stat.st_ino and p.name != path.name
        ]
        for p in candidates:
            if 0 < p.offset <= stat.st_size and p.head_bytes > 0:
                same_head = _digest(head[: p.head_bytes]) == p.head_digest
                if same_head and _tail_digest(file, p.offset) == p.tail_digest:
                    return p
        return None

    def _tail(
        self, file: BinaryIO, path: Path, stat: stat_result, head: bytes, known: Position | None
    ) -> Iterator[Piece]:
        """Whole lines from where the file was left."""
        lines = self._lines_of(path, stat, head, known)
        if lines is None:
            yield from self._ask(path, stat)
            return
        offset = known.offset if known else 0
        file.seek(offset)
        latest = known
        while block := file.read(BLOCK_BYTES):
            cut = lines.encoding.lines_end(block)
            if cut == 0:
                if len(block) > _MAX_LINE:
                    raise SourceError(f"{path.name}: a line of over {_MAX_LINE} bytes; not a log")
                break
            for batch, place, count in lines.read(block[:cut]):
                offset += count
                # Until the end is reached the file looks changed, so that reading goes on.
                position = Position(
                    self._source.path, path.name, stat.st_ino, -1, stat.st_mtime_ns, offset,
                    place.line, place.local_us, place.latest_us,
                    min(_HEAD, offset), _digest(head[: min(_HEAD, offset)]),
                    _tail_digest(file, offset), lines.layout,
                )  # fmt: skip
                done = offset + len(block) - cut >= stat.st_size
                position = replace(position, size=stat.st_size) if done else position
                yield batch, position
                self._known[path.name] = latest = position
            file.seek(offset)
        if latest is not None:
            self._known[path.name] = _seen_now(latest, path, stat)

    def _lines_of(
        self, path: Path, stat: stat_result, head: bytes, known: Position | None
    ) -> "GrowingText | GrowingPacks | None":
        """What reads on in the file; None where its layout is not settled yet."""
        place = Place(known.line, known.local_us, known.latest_us) if known else _START
        if looks_like_senml(head):
            return GrowingPacks(self._station, path.name, place)
        opened = self._opened_again(path, head, known)
        if opened is None:
            opened = self._texts.find(path.name, head)
        if opened is None:
            if len(head) < _LAYOUT_HEAD and not self._is_quiet(path, stat):
                return None
            raise self._texts.why_not(path.name, head)
        order = None
        if opened.ambiguous is not None:
            order = self._dates.settle(path.name, stat, opened, lambda: path.open("rb"))
            if order is None:
                return None
        reader = self._texts.reader(opened, as_order(order.date_order) if order else None)
        if place.line:
            reader.go_on_from(place)
        return GrowingText(reader, opened.encoding, order)

    def _opened_again(self, path: Path, head: bytes, known: Position | None) -> Found | None:
        """A file by its layout as it was read last; None where that is not known."""
        layout = layout_from_json(known.layout) if known and known.layout else None
        again = None if layout is None else self._texts.again(path.name, head, layout)
        if again is None or again.layout.since_header == SETTLED:
            return again
        # No record was read behind the header yet: dates may still need their order.
        first = self._texts.find(path.name, head)
        return again if first is None else replace(again, ambiguous=first.ambiguous)

    def _ask(self, path: Path, stat: stat_result) -> Iterator[Piece]:
        """Tell of a file that waits for people to say how its dates are written."""
        if self._dates.is_waiting(path.name) and self._is_quiet(path, stat):
            reason = self._dates.question(path.name)
            if not self._is_told(path, stat, reason):
                yield refused_batch(path.name, 0, reason.removeprefix(f"{path.name}: "), b""), None

    def _whole(self, path: Path, stat: stat_result, head: bytes) -> Iterator[Piece]:
        """A compressed file, or one JSON document: as a whole once it does not change."""
        recording = look_at(self._station, path, self._source)
        if recording.text is not None and recording.dates is not None:
            opener = partial(open_content, path)
            order = self._dates.settle(path.name, stat, recording.text, opener)
            if order is None:
                yield from self._ask(path, stat)
                return
            recording = replace(recording, settled=order)
        done = Position(
            self._source.path, path.name, stat.st_ino, stat.st_size, stat.st_mtime_ns,
            stat.st_size, 0, NEVER, NEVER, 0, _digest(head[:_HEAD]), "",
        )  # fmt: skip
        # One piece behind, so that the last one bears the position that says "done".
        waiting: Batch | None = None
        for batch, _ in read_recording(self._station, recording):
            if waiting is not None:
                yield waiting, replace(done, size=-1, offset=0)
            waiting = batch
        if waiting is None:
            nothing = np.empty(0, np.int64)
            waiting = tidy(path.name, nothing, {}, nothing)
        yield waiting, done
        self._known[path.name] = done

    def _is_quiet(self, path: Path, stat: stat_result) -> bool:
        """Whether a file is as it was at the poll before."""
        now = (stat.st_size, stat.st_mtime_ns)
        before, self._seen[path.name] = self._seen.get(path.name), now
        return before == now

    def _cut_off_line(self, path: Path, stat: stat_result, position: Position) -> Iterator[Piece]:
        if time.time() - stat.st_mtime < STALE_S or self._is_told(path, stat, "cut off"):
            return
        with path.open("rb") as file:
            file.seek(position.offset)
            rest = file.read(_MAX_LINE)
        if rest.strip():
            reason = "cut off: the last line has no line end"
            yield refused_batch(path.name, position.line + 1, reason, rest), position

    def _refuse(self, path: Path, stat: stat_result, error: Exception) -> Iterator[Piece]:
        """A file that cannot be read: a line in quarantine; another try once it changes, or
        at once where it is the disk or a permission that refuses.
        """
        if isinstance(error, OSError):
            reason = f"the file cannot be read: {error.strerror}"
            if not self._is_told(path, stat, reason):
                yield refused_batch(path.name, 0, reason, b""), None
            return
        reason = str(error).removeprefix(f"{path}: ")
        position = Position(
            self._source.path, path.name, stat.st_ino, stat.st_size, stat.st_mtime_ns,
            stat.st_size, 0, NEVER, NEVER, 0, "", "",
        )  # fmt: skip
        yield refused_batch(path.name, 0, reason, b""), position
        self._known[path.name] = position

    def _is_told(self, path: Path, stat: stat_result, what: str) -> bool:
        key = (path.name, stat.st_size, what)
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


def _looks_the_same(position: Position, stat: stat_result) -> bool:
    return (position.inode, position.size, position.modified_ns) == (
        stat.st_ino,
        stat.st_size,
        stat.st_mtime_ns,
    )


def _seen_now(position: Position, path: Path, stat: stat_result) -> Position:
    return replace(
        position,
        name=path.name,
        inode=stat.st_ino,
        size=stat.st_size,
        modified_ns=stat.st_mtime_ns,
    )


def _digest(content: bytes) -> str:
    return hashlib.blake2b(content, digest_size=16).hexdigest()


def _tail_digest(file: BinaryIO, offset: int) -> str:
    """Of the bytes before an offset; the file's own position is lost."""
    start = max(0, offset - _TAIL)
    file.seek(start)
    return _digest(file.read(offset - start))
