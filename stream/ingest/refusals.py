"""Lines that could not be taken, by reason: how many, an example, and what may lie behind."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

_PARTS: Final = re.compile(
    r"'(?:[^'\\]|\\.)*'|\"(?:[^\"\\]|\\.)*\"|\d{4}-\d{2}-\d{2}T[\d:.]+Z|(?<![\w.])[+-]?\d[\d.eE+-]*"
)
RECORDED: Final = "is already recorded as"
"""Such a line differs from the record of its time."""
_CAUSES: Final = (
    (
        RECORDED,
        "times coarser than the sampling interval, or all the same; or a file of another logger"
        " with values for the same times: files are read in the order of their names, and the"
        " first stands",
    ),
    (
        "is before 2000 or after 2100",
        "the clock was not set, or the times need time_format",
    ),
    ("set date_order", "the day and month order is unknown: set date_order for the source"),
    (
        "is not a time",
        "a damaged line, or times in an unknown form: set time_format for the source",
    ),
    ("fields where the header has", "columns were added or lost without a new header"),
    ("is not a number", "a word to list in states of the channel or in missing of the source"),
    (
        "other numbers of this file",
        "a thousands separator (set decimal for the source), or lines from two programs",
    ),
    ("is in another unit", "the logger's settings differ from the station file"),
    ("cut off", "the power failed, or the file was copied while it was being written"),
    ("NUL byte", "the power failed while the logger was writing"),
    ("quotes do not close", "a damaged line"),
    ("the columns change here", "the logger program was changed. Check that this was intended"),
)
NOTICE: Final = "the columns change here"
"""Such a line is told of, though nothing of it is lost."""


@dataclass(frozen=True, slots=True)
class Refusals:
    """Lines refused for one reason.

    Attributes
    ----------
    count : int
    reason : str
        Of the first.
    source, line, text : str, int, str
        Where the first stands, and what it says.
    cause : str
        What usually lies behind; empty where nothing does.
    """

    count: int
    reason: str
    source: str
    line: int
    text: str
    cause: str


def likely_cause(reason: str) -> str:
    """What usually lies behind a reason; empty where nothing does."""
    return next((cause for words, cause in _CAUSES if words in reason), "")


def wording(reason: str) -> str:
    """A reason without what differs from line to line: values, numbers and times."""
    return _PARTS.sub("…", reason)


def by_reason(rows: Iterable[Mapping[str, Any]]) -> list[Refusals]:
    """Refused lines by reason, the most frequent first.

    Parameters
    ----------
    rows : iterable of mapping
        With ``source``, ``line``, ``reason`` and ``text``.
    """
    counts: dict[str, int] = {}
    firsts: dict[str, Mapping[str, Any]] = {}
    for row in rows:
        key = wording(row["reason"])
        counts[key] = counts.get(key, 0) + 1
        firsts.setdefault(key, row)
    ordered = sorted(counts, key=lambda key: -counts[key])
    return [
        Refusals(counts[key], r["reason"], r["source"], r["line"], r["text"], likely_cause(key))
        for key in ordered
        for r in (firsts[key],)
    ]
