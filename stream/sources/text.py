"""How the bytes of a file are text: its encoding, and where its lines end."""

import codecs
from dataclasses import dataclass
from typing import Final

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
    """

    name: str = "utf-8"

    @property
    def is_wide(self) -> bool:
        """Whether a character takes two bytes."""
        return self.name.startswith("utf-16")

    def lines_end(self, block: bytes) -> int:
        """Bytes up to and with the last line end; 0 where there is none."""
        if not self.is_wide:
            return block.rfind(b"\n") + 1
        kind = "<u2" if self.name == "utf-16-le" else ">u2"
        ends = np.flatnonzero(np.frombuffer(block, kind, len(block) // 2) == 10)
        return (int(ends[-1]) + 1) * 2 if len(ends) else 0

    def to_utf8(self, block: bytes) -> bytes:
        """Whole lines as UTF-8; a mark at the beginning of a file is no text."""
        if self.name != "utf-8":
            return block.decode(self.name, "replace").removeprefix("\ufeff").encode()
        return block.removeprefix(BOM)


def find_encoding(head: bytes, given: str | None = None) -> Encoding:
    """The encoding of a file that begins with ``head``."""
    marked = next((name for mark, name in _WIDE.items() if head.startswith(mark)), None)
    if given is None:
        return Encoding(marked or "utf-8")
    plain = codecs.lookup(given).name
    if plain == "utf-16":
        return Encoding(marked or "utf-16-le")
    return Encoding("utf-8" if plain == "utf-8-sig" else plain)


def as_text(line: bytes) -> str:
    """A line of UTF-8; other bytes each as the Latin-1 letter that they may be."""
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("latin-1")
