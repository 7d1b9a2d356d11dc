"""How the bytes of a file are text: its encoding, and where its lines end."""

import codecs
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np

BOM: Final = b"\xef\xbb\xbf"
_WIDE: Final = {codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}


@dataclass(frozen=True, slots=True)
class Encoding:
    """How a file's bytes become text.

    Attributes
    ----------
    name : str
        A codec of Python; ``utf-8`` leaves bytes as they are, since stray bytes of
        another encoding in a column that nobody wants must cost nothing.
    returns : bool
        Whether lines end with a carriage return alone, as some spreadsheets write them.
    """

    name: str = "utf-8"
    returns: bool = False

    @property
    def is_wide(self) -> bool:
        """Whether a character takes two bytes."""
        return self.name.startswith("utf-16")

    def lines_end(self, block: bytes) -> int:
        """Bytes up to and with the last line end; 0 where there is none."""
        if not self.is_wide:
            return block.rfind(b"\r" if self.returns else b"\n") + 1
        kind = "<u2" if self.name == "utf-16-le" else ">u2"
        ends = np.flatnonzero(np.frombuffer(block, kind, len(block) // 2) == 10)
        return (int(ends[-1]) + 1) * 2 if len(ends) else 0

    def to_utf8(self, block: bytes) -> bytes:
        """Whole lines as UTF-8, each with a line feed at its end; a mark at the beginning of a
        file is no text.
        """
        if self.returns:
            block = block.replace(b"\r", b"\n")
        if self.name != "utf-8":
            return block.decode(self.name, "replace").removeprefix("\ufeff").encode()
        return block.removeprefix(BOM)


def find_encoding(head: bytes, given: str | None = None) -> Encoding:
    """The encoding of a file that begins with ``head``."""
    marked = next((name for mark, name in _WIDE.items() if head.startswith(mark)), None)
    if given is None:
        name = marked or "utf-8"
    else:
        plain = codecs.lookup(given).name
        name = "utf-8" if plain == "utf-8-sig" else plain
        if plain == "utf-16":
            name = marked or "utf-16-le"
    return Encoding(name, returns=not name.startswith("utf-16") and ends_with_returns(head))


def ends_with_returns(head: bytes) -> bool:
    """Whether the lines of a file that begins so end with a carriage return alone."""
    return b"\n" not in head and head.count(b"\r") > 1


class Readable(Protocol):
    """Whatever bytes can be read from."""

    def read(self, count: int, /) -> bytes:
        """The next bytes, at most ``count``; none at the end."""


class WholeLines:
    """Blocks of whole lines, each with how many bytes of its first line were left out.

    Of a line longer than ``longest`` only the beginning is kept, which is more than
    ``longest`` still: it is refused as any line so long is, and costs no memory.
    """

    def __init__(
        self, stream: Readable, encoding: Encoding, block_bytes: int, longest: int
    ) -> None:
        self._stream = stream
        self._encoding = encoding
        self._block_bytes = block_bytes
        self._longest = longest
        self.rest = b""
        """At the end: a last line without its line end."""

    def __iter__(self) -> Iterator[tuple[bytes, int]]:
        """Read on to the end."""
        left_out = 0
        while block := self._stream.read(self._block_bytes):
            block = self.rest + block
            cut = self._encoding.lines_end(block)
            if cut:
                self.rest = block[cut:]
                yield block[:cut], left_out
                left_out = 0
            else:
                self.rest = block[: self._longest + 2]
                left_out += len(block) - len(self.rest)


def as_text(line: bytes) -> str:
    """A line of UTF-8; other bytes each as the Latin-1 letter that they may be."""
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("latin-1")
