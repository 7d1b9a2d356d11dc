"""How far files of a folder have been taken, and how to know them again."""

import hashlib
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import BinaryIO, Final

from stream.ingest.files.contents import Listed

HEAD: Final = 4096
_TAIL: Final = 256


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

    def is_of(self, file: Listed) -> bool:
        """Whether a file looks as it did when it was left."""
        stat = file.stat
        mine = (self.inode, self.size, self.modified_ns)
        return mine == (stat.st_ino, stat.st_size, stat.st_mtime_ns)

    def seen(self, file: Listed) -> "Position":
        """The same place in a file as it looks now."""
        stat = file.stat
        return replace(
            self, name=file.name, inode=stat.st_ino, size=stat.st_size,
            modified_ns=stat.st_mtime_ns,
        )  # fmt: skip


class Positions:
    """The positions of one folder, by name and by inode."""

    def __init__(self, known: Iterable[Position]) -> None:
        self._by_name: dict[str, Position] = {}
        self._by_inode: dict[int, dict[str, Position]] = {}
        for position in known:
            self.put(position)

    def of(self, file: Listed) -> Position | None:
        """That of a file's name."""
        return self._by_name.get(file.name)

    def put(self, position: Position) -> None:
        """Remember one in place of what its name had."""
        before = self._by_name.get(position.name)
        if before is not None:
            del self._by_inode[before.inode][before.name]
        self._by_name[position.name] = position
        self._by_inode.setdefault(position.inode, {})[position.name] = position

    def same_file(self, file: Listed, raw: BinaryIO, head: bytes) -> Position | None:
        """The position to go on from: of this name, or of the name that the file had before."""
        for p in self._candidates(file):
            if 0 < p.offset <= file.stat.st_size and p.head_bytes > 0:
                same_head = digest(head[: p.head_bytes]) == p.head_digest
                if same_head and tail_digest(raw, p.offset) == p.tail_digest:
                    return p
        return None

    def _candidates(self, file: Listed) -> Iterator[Position]:
        mine = self._by_name.get(file.name)
        if mine is not None:
            yield mine
        for name, position in self._by_inode.get(file.stat.st_ino, {}).items():
            if name != file.name:
                yield position


def digest(content: bytes) -> str:
    """Of some bytes of a file."""
    return hashlib.blake2b(content, digest_size=16).hexdigest()


def tail_digest(raw: BinaryIO, offset: int) -> str:
    """Of the bytes before an offset."""
    start = max(0, offset - _TAIL)
    return digest(os.pread(raw.fileno(), offset - start, start))
