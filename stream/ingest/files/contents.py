"""What a folder holds, what kind of table a file is, and its content, plain or compressed."""

import os
import stat as kinds
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fnmatch import fnmatch
from os import stat_result
from pathlib import Path
from typing import BinaryIO, Final, Literal

import pyarrow as pa

from stream.errors import SourceError, SourceLost
from stream.ingest.batches import plain_text

PACKED_TOO: Final = ("", ".gz", ".zst")
"""Endings with which a file matches a pattern, too."""


@dataclass(frozen=True, slots=True)
class Listed:
    """A file of a folder as it was when it was looked at.

    Attributes
    ----------
    path : Path
    name : str
        Its name as text: see :func:`plain_name`.
    stat : stat_result
    """

    path: Path
    name: str
    stat: stat_result


@dataclass(frozen=True, slots=True)
class Listing:
    """Files that match, and (name, reason) of entries that match and cannot be taken."""

    files: list[Listed]
    refused: list[tuple[str, str]]


def plain_name(path: Path) -> str:
    """A file's name as text that every database and screen takes.

    The bytes of a name need not be UTF-8; those that are not are written as ``\\xe9``.
    """
    return plain_text(os.fsencode(path.name))


def list_folder(folder: Path, patterns: Sequence[str]) -> Listing:
    """The regular files of a folder whose name matches one of the patterns.

    Links are followed within the folder only: a name must not bring in what its folder
    does not hold.

    Raises
    ------
    SourceLost
        The folder cannot be read now.
    """
    listing = Listing([], [])
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if any(fnmatch(entry.name, pattern) for pattern in patterns):
                    _look_at(folder, entry, listing)
    except OSError as error:
        raise SourceLost(f"{folder}: the folder cannot be read: {error.strerror}") from None
    return listing


def _look_at(folder: Path, entry: "os.DirEntry[str]", listing: Listing) -> None:
    path = folder / entry.name
    name = plain_name(path)
    try:
        if entry.is_symlink() and (why := _why_not_followed(folder, path)):
            listing.refused.append((name, why))
            return
        stat = entry.stat()
    except FileNotFoundError:
        return  # renamed or removed a moment ago
    except OSError as error:
        listing.refused.append((name, f"it cannot be looked at: {error.strerror}"))
        return
    if kinds.S_ISREG(stat.st_mode):
        listing.files.append(Listed(path, name, stat))


def _why_not_followed(folder: Path, link: Path) -> str:
    try:
        target = link.resolve(strict=True)
    except FileNotFoundError:
        return "a link to nothing; remove it"
    except (OSError, RuntimeError):  # Python before 3.13 has no OSError for a circle
        return "a link that leads in a circle; remove it"
    if not target.is_relative_to(folder.resolve()):
        return "a link to outside its folder, which is not followed; copy the file here"
    return ""


Kind = Literal["vials", "run"]

MAX_BYTES: Final = 16 * 1024 * 1024
"""Largest table that is taken: nobody fills so many vials."""


def kind_of_table(head: bytes) -> Kind | None:
    """What kind of table a file is by its header; None for a logger's file."""
    header = head.removeprefix(b"\xef\xbb\xbf").split(b"\n", 1)[0].decode("utf-8", "replace")
    for delimiter in (",", ";", "\t"):
        columns = {cell.strip().strip('"') for cell in header.split(delimiter)}
        if {"vial", "sampled_at"} <= columns:
            return "vials"
        if {"vial", "sequence"} <= columns:
            return "run"
    return None


_GZIP: Final = b"\x1f\x8b"
_ZSTD: Final = b"\x28\xb5\x2f\xfd"
_CHUNK: Final = 1 << 18
_GZIP_WINDOW: Final = 31
"""Window bits that tell zlib to expect a gzip header."""


class Content:
    """Bytes of a file as it was before packing.

    ``broken`` says why reading ended before the end of what was packed, None where it
    did not.
    """

    def __init__(self, raw: BinaryIO) -> None:
        self.broken: str | None = None
        self._raw = raw

    @property
    def position(self) -> int:
        """How far the file on disk has been read [bytes]."""
        return self._raw.tell()

    def read(self, count: int) -> bytes:
        """The next bytes: as many as asked for, fewer at the end only."""
        parts: list[bytes] = []
        while count > 0 and self.broken is None:
            try:
                part = self._more(count)
            except (OSError, zlib.error) as error:
                self.broken = str(error)
                break
            if not part:
                break
            parts.append(part)
            count -= len(part)
        return b"".join(parts)

    def _more(self, count: int) -> bytes:
        return self._raw.read(count)


class _Gzip(Content):
    """gzip by hand: the library's reader gives nothing of a block that breaks off."""

    def __init__(self, raw: BinaryIO) -> None:
        super().__init__(raw)
        self._member = zlib.decompressobj(_GZIP_WINDOW)
        self._begun = False
        self._packed = b""

    def _more(self, count: int) -> bytes:
        while True:
            data = self._packed or self._raw.read(_CHUNK)
            if not data:
                if self._begun:
                    self.broken = "it ends before the end that was packed"
                return b""
            if not self._begun:
                # Zeros may pad the end of a member; another member may follow.
                data = data.lstrip(b"\0")
            self._packed = b""
            if not data:
                continue
            self._begun = True
            part = self._member.decompress(data, count)
            if self._member.eof:
                self._packed = self._member.unused_data
                self._member = zlib.decompressobj(_GZIP_WINDOW)
                self._begun = False
            else:
                self._packed = self._member.unconsumed_tail
            if part:
                return part


class _Zstd(Content):
    def __init__(self, raw: BinaryIO) -> None:
        super().__init__(raw)
        self._unpacked = pa.CompressedInputStream(pa.PythonFile(raw, "r"), "zstd")

    def _more(self, count: int) -> bytes:
        part: bytes = self._unpacked.read(count)
        return part


def is_packed(head: bytes) -> bool:
    """Whether a file that begins so is compressed."""
    return head.startswith((_GZIP, _ZSTD))


@contextmanager
def open_content(path: Path) -> Iterator[Content]:
    """Open a file, decompressing gzip and zstd, known by their first bytes.

    Raises
    ------
    SourceError
        The file cannot be read.
    """
    try:
        raw = path.open("rb")
    except OSError as error:
        raise SourceError(f"{path}: cannot be read: {error.strerror}") from None
    with raw:
        magic = raw.read(4)
        raw.seek(0)
        if magic.startswith(_GZIP):
            yield _Gzip(raw)
        elif magic == _ZSTD:
            yield _Zstd(raw)
        else:
            yield Content(raw)
