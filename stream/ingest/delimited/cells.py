"""From bytes to lines of text, from a line to its cells, and from a cell to a number."""

import codecs
import csv
import hashlib
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal, Protocol

import numpy as np

from stream.errors import RecordError
from stream.station import same_unit

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


_BLANKS: Final = re.compile(r"[ \t]+")
_COMMENTS: Final = ("#", "%", "//", "!")


def split_line(text: str, delimiter: str, *, strict: bool = False) -> list[str]:
    """Cells of a line, without blanks at their ends.

    Raises
    ------
    csv.Error
        Its quotes do not close, where ``strict``.
    """
    if delimiter == " ":
        text = _BLANKS.sub(" ", text.strip())
    try:
        row = next(csv.reader([text], delimiter=delimiter, strict=strict), [])
    except csv.Error:
        if strict:
            raise
        return [text]
    return [cell.strip() for cell in row]


def split_unclosed(text: str, delimiter: str) -> list[str]:
    """Cells of a line whose last one begins with a quote that does not close; none where its
    quotes are wrong in another way.
    """
    try:
        return split_line(f'{text}"', delimiter, strict=True)
    except csv.Error:
        return []


def without_empty_end(cells: Sequence[str]) -> list[str]:
    """Cells without those that are empty at the end: of a delimiter that ends every line."""
    count = len(cells)
    while count and not cells[count - 1]:
        count -= 1
    return list(cells[:count])


def line_digest(text: str) -> str:
    """To know a line again."""
    return hashlib.blake2b(text.strip().encode(), digest_size=8).hexdigest()


def comment_mark(line: str) -> str:
    """What a line begins with that is none of the data; empty where it is no comment."""
    return next((mark for mark in _COMMENTS if line.startswith(mark)), "")


Decimal = Literal[".", ","]

_WORDS: Final = (
    "NaN", "nan", "NAN", "NA", "N/A", "n/a", "#N/A", "#NA", "null", "NULL", "Null", "\\N", "None",
    "-", "--", "---", "?", "*", "#VALUE!", "#REF!", "#DIV/0!", "#NUM!", "#NAME?", "#NULL!",
)  # fmt: skip
_NINES: Final = tuple(
    f"-{'9' * n}{part}"
    for n in (3, 4, 5)
    for part in ("", ".", ".0", ".00", ".000", ".0000", ".9", ".99", ".999")
)
MISSING: Final = ("", *_WORDS, *_NINES)
"""What loggers and spreadsheets write for "no value"."""
_POINT: Final = re.compile(r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eEdD][+-]?\d+)?$", re.ASCII)
_THOUSANDS: Final = re.compile(r"^[+-]?\d{1,3},\d{3}$", re.ASCII)
_PERHAPS_THOUSANDS: Final = re.compile(r"^[+-]?[1-9]\d{0,2}\.\d{3}$", re.ASCII)
_COMMA: Final = re.compile(r"^[+-]?(?:\d+,\d*|,\d+)(?:[eE][+-]?\d+)?$", re.ASCII)


_GROUPS: Final = {
    ".": re.compile(r"^[+-]?\d{1,3}(?:,\d{3})+(?:\.\d+)?$", re.ASCII),
    ",": re.compile(r"^[+-]?\d{1,3}(?:\.\d{3})+(?:,\d+)?$", re.ASCII),
}
"""Decimal mark → numbers whose thousands are parted by the other one."""
_APART: Final = re.compile(r"(?<=\d)['\u2019\u00a0\u202f\u2009](?=\d{3}(?:\D|$))")
"""What parts thousands and nothing else."""
_WITH_UNIT: Final = re.compile(r"^(\S*\d[.,]?)\s*([^\d\s.,*].*)$", re.ASCII)


def missing_words(given: Sequence[str] | None, decimal: Decimal | None) -> tuple[str, ...]:
    """Cells without a value: an empty one, and the words given or else the usual ones."""
    words = MISSING if given is None else ("", *given)
    if decimal != ",":
        return tuple(words)
    return tuple(dict.fromkeys([*words, *(w.replace(".", ",") for w in words)]))


def decimal_of(cell: str) -> Decimal | None:
    """The decimal mark that a cell shows, if any."""
    if "," in cell:
        if _COMMA.match(cell):
            return ","
        return next((m for m in (".", ",") if m in cell and _GROUPS[m].match(cell)), None)
    return "." if "." in cell and _POINT.match(cell) else None


def read_number(
    channel: str,
    cell: str,
    decimal: Decimal | None,
    missing: frozenset[str],
    *,
    sure: bool = False,
) -> float:
    """One cell as a number; thousands may be parted where that cannot be read otherwise.

    Parameters
    ----------
    channel : str
        For messages.
    cell : str
        Without blanks at its ends.
    decimal : {'.', ','} or None
        None where nothing has shown it: the cell then has no such mark.
    missing : frozenset of str
        Cells without a value.
    sure : bool
        Whether a person says what the decimal mark is: the other one then parts thousands.

    Returns
    -------
    float
        NaN for no value.

    Raises
    ------
    RecordError
        It is no number, or too large a one.
    """
    if cell in missing:
        return float("nan")
    written, cell = cell, _APART.sub("", cell.replace("\u2212", "-"))
    cell = _in_one(cell, decimal, sure=sure)
    plain = cell
    if "," in cell:
        if decimal == "." and _COMMA.match(cell):
            raise RecordError(
                f"{channel}: {written[:40]!r} has a decimal comma, and other numbers of this file"
                " a point"
            )
        if decimal is None and _COMMA.match(cell):
            raise RecordError(
                f"{channel}: {cell[:40]!r} may have a decimal comma or one of thousands; set"
                " decimal of the source in the station file"
            )
        plain = cell.replace(",", ".") if _COMMA.match(cell) else ""
    elif "." in cell and decimal == "," and _POINT.match(cell):
        raise RecordError(
            f"{channel}: {cell[:40]!r} has a decimal point, and other numbers of this file a comma"
        )
    if not _POINT.match(plain):
        raise RecordError(f"{channel}: {written[:40]!r} is not a number")
    number = float(plain.replace("d", "e").replace("D", "e"))
    if number in (float("inf"), float("-inf")):
        raise RecordError(f"{channel}: {cell[:40]!r} is too large")
    return number


def without_unit(channel: str, cell: str, ours: str) -> str | None:
    """The number of a cell like ``31.2 %``; None where no unit that is known stands behind it.

    Raises
    ------
    RecordError
        It is another unit than the station file's: such a value is not converted.
    """
    match = _WITH_UNIT.match(cell)
    same = None if match is None else same_unit(match[2], ours)
    if match is None or same is None:
        return None
    if same:
        return match[1]
    raise RecordError(f"{channel}: {cell[:40]!r} is in another unit than its channel, {ours!r}")


def _in_one(cell: str, decimal: Decimal | None, *, sure: bool) -> str:
    """A number without the marks that part its thousands, where there is no other way to
    read it: both marks are there, one of them is there twice, or a person said which is which.
    """
    for mark, other in ((".", ","), (",", ".")):
        if decimal in (None, mark) and other in cell and _GROUPS[mark].match(cell):
            plain = mark in cell or cell.count(other) > 1 or (sure and decimal == mark)
            return cell.replace(other, "") if plain else cell
    return cell


def decimal_shown(cells: Sequence[str], delimiter: str) -> Decimal | None:
    """The decimal mark that numbers of one line show; None where none does.

    ``1,234`` may be a thousand and more: it shows a comma only where semicolons stand
    between columns, since they do so because the comma is taken. ``1.234`` shows a point
    unless another number of the line shows a comma.
    """
    plain = [match[1] if (match := _WITH_UNIT.match(cell)) else cell for cell in cells]
    marks = [(cell, mark) for cell in plain if (mark := decimal_of(cell)) is not None]
    if any(mark == "." and not _PERHAPS_THOUSANDS.match(cell) for cell, mark in marks):
        return "."
    if any(
        mark == "," and (delimiter == ";" or not _THOUSANDS.match(cell)) for cell, mark in marks
    ):
        return ","
    return "." if any(mark == "." for _, mark in marks) else None
