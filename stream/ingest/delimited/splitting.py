"""A line of delimited text as cells, and what it may be known again by."""

import csv
import hashlib
import re
from collections.abc import Sequence
from typing import Final

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
