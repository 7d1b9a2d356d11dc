"""The content of a file, plain or compressed; one that breaks off is read up to the break."""

import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, Final

import pyarrow as pa

from stream.errors import SourceError

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
