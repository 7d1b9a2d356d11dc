"""Cells of a channel's column: numbers with point or comma, words, and words for nothing."""

import re
from collections.abc import Mapping, Sequence
from typing import Final, Literal

from stream.errors import RecordError

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
_POINT: Final = re.compile(r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$", re.ASCII)
_THOUSANDS: Final = re.compile(r"^[+-]?\d{1,3},\d{3}$", re.ASCII)
_COMMA: Final = re.compile(r"^[+-]?(?:\d+,\d*|,\d+)(?:[eE][+-]?\d+)?$", re.ASCII)


def missing_words(given: Sequence[str] | None, decimal: Decimal | None) -> tuple[str, ...]:
    """Cells without a value: an empty one, and the words given or else the usual ones."""
    words = MISSING if given is None else ("", *given)
    if decimal != ",":
        return tuple(words)
    return tuple(dict.fromkeys([*words, *(w.replace(".", ",") for w in words)]))


def decimal_of(cell: str) -> Decimal | None:
    """The decimal mark that a cell shows, if any."""
    if "," in cell:
        return "," if _COMMA.match(cell) else None
    return "." if "." in cell and _POINT.match(cell) else None


def read_number(
    channel: str,
    cell: str,
    decimal: Decimal | None,
    states: Mapping[str, float],
    missing: frozenset[str],
) -> float:
    """One cell as a number.

    Parameters
    ----------
    channel : str
        For messages.
    cell : str
        Without blanks at its ends.
    decimal : {'.', ','} or None
        None where nothing has shown it: the cell then has no such mark.
    states : mapping of str to float
        Words in lower case → their numbers.
    missing : frozenset of str
        Cells without a value.

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
    state = states.get(cell.lower())
    if state is not None:
        return state
    plain = cell
    if "," in cell:
        if decimal == "." and _COMMA.match(cell):
            raise RecordError(
                f"{channel}: {cell[:40]!r} has a decimal comma, and other numbers of this file"
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
        raise RecordError(f"{channel}: {cell[:40]!r} is not a number")
    number = float(plain)
    if number in (float("inf"), float("-inf")):
        raise RecordError(f"{channel}: {cell[:40]!r} is too large")
    return number


def decimal_shown(cells: Sequence[str], delimiter: str) -> Decimal | None:
    """The decimal mark that numbers of one line show; None where none does.

    ``1,234`` may be a thousand and more: it shows a comma only where semicolons stand
    between columns, since they do so because the comma is taken.
    """
    marks = [(cell, mark) for cell in cells if (mark := decimal_of(cell)) is not None]
    if any(mark == "." for _, mark in marks):
        return "."
    sure = any(delimiter == ";" or not _THOUSANDS.match(cell) for cell, _ in marks)
    return "," if sure else None
