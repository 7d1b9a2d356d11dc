"""Cells of a channel's column: numbers with point or comma, words, and words for nothing."""

import re
from collections.abc import Sequence
from typing import Final, Literal

from stream.errors import RecordError
from stream.station import same_unit

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
