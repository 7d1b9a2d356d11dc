"""What a replay tells people: of each file, and of all that it brought."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from stream.compute.settle import Settled
from stream.ingest.refusals import NOTICE, RECORDED, by_reason
from stream.manual.intake import TakenTable
from stream.store.results.changes import Row

ORDER = (
    "The file that is read first stands, and files of a folder are read in the order of their"
    " names. Move the file that is not of this station away, and replay the others into a new"
    " database (--database)"
)


def told_of_others(path: object, others: Mapping[str, int]) -> str:
    """For people: a file and those whose values stand."""
    count = sum(others.values())
    values = "1 value differs" if count == 1 else f"{count} values differ"
    return f"{path}: {values} from those of {names(others)} for the same times. {ORDER}"


def names(others: Mapping[str, int]) -> str:
    """The files, those with the most values first."""
    ordered = sorted(others, key=lambda name: (-others[name], name))
    more = f" and {len(ordered) - 3} more files" if len(ordered) > 3 else ""
    return ", ".join(ordered[:3]) + more


MOST_REFUSED: Final = 0.01
"""Share of a file's lines that may be refused without more ado."""

MANY_ALIKE: Final = 0.1
"""Values of a time that has one already, against lines, that tell of coarse times."""


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


@dataclass(slots=True)
class FileTold:
    """What came of one file.

    Attributes
    ----------
    path : Path
    records : int
        That it holds, known ones too.
    lines : int
        Up to the last that was read.
    refusals : list of rows
        Of lines that could not be taken, whether or not they are in quarantine already.
    times : int
        Different times of its lines.
    same_time : int
        Values refused because the file has another for the same time.
    others : counter
        Files and topics whose values stand against this one's → how many.
    odd : sequence of str
        What is said of numbers of a table that cannot be right.
    """

    path: Path
    records: int = 0
    lines: int = 0
    refusals: list[Row] = field(default_factory=list)
    times: int = 0
    same_time: int = 0
    others: Counter[str] = field(default_factory=Counter)
    odd: Sequence[str] = ()

    @property
    def refused(self) -> int:
        """How many lines could not be taken, wholly or in part."""
        lost = {r["line"] for r in self.refusals if not r["reason"].startswith(NOTICE)}
        return len(lost)

    def hint(self) -> str | None:
        """What is wrong where many lines have the same time, or another file has other values."""
        if self.others:
            return told_of_others(self.path, self.others)
        if self.same_time <= MANY_ALIKE * self.lines:
            return None
        if self.times == 1:
            return (
                f"{self.path}: all lines have the same time. Check the logger's clock, and whether"
                " date and time of day are in columns of their own"
            )
        return (
            f"{self.path}: {self.same_time} values have the time of an earlier line. The times are"
            " coarser than the sampling interval; have the logger write seconds"
        )

    def complaint(self) -> str | None:
        """Why the file was not simply taken; None where it was."""
        what = "Correct the file or its source in the station file, or use --allow-refused"
        if not self.records:
            return f"{self.path}: no record was read. {what}"
        if self.refused > MOST_REFUSED * self.lines:
            were = f"{self.path}: {self.refused} of {self.lines} lines were refused"
            if self.others:
                have = f"{names(self.others)} has other values for the same times"
                return f"{were}, since {have}. {ORDER}, or use --allow-refused"
            return f"{were}. {what}"
        return None


@dataclass(frozen=True, slots=True)
class Replayed:
    """What a replay brought.

    ``not_taken`` has a line for each file that could not be understood; ``told`` says what
    came of the others; ``damaged`` has a line for each block or day of the journal that was found
    damaged on the way; ``stale`` counts closures that stand as another station file made them;
    ``unseen`` names channels that nothing has a column for.
    """

    files: int
    records: int
    known: int
    rejects: int
    settled: Settled
    tables: tuple[TakenTable, ...] = ()
    told: tuple[FileTold, ...] = ()
    not_taken: tuple[str, ...] = ()
    damaged: tuple[str, ...] = ()
    stale: int = 0
    unseen: str = ""

    def sentence(self) -> str:
        """For people, in one line."""
        words = (
            f"{_count(self.files, 'file')}: {self.records} new records, {self.known} known already,"
            f" {_count(self.rejects, 'line')} newly in quarantine; "
        )
        if self.tables:
            changed = sum(t.changed for t in self.tables)
            words += (
                f"{_count(len(self.tables), 'table')} of vials and runs, {changed} new or"
                f" corrected, {_count(sum(t.rows for t in self.tables), 'row')}; "
            )
        return words + self.settled.sentence()

    def older(self) -> list[str]:
        """For people: that a changed station file has not changed what is stored."""
        if not self.stale:
            return []
        were = "closure was" if self.stale == 1 else "closures were"
        return [
            f"{self.stale} stored {were} worked out with another station file, and replay leaves"
            " them as they are; lidstream reprocess works them out with this one."
        ]

    def refusals(self) -> list[str]:
        """For people: what could not be taken, by reason, with the first example of each."""
        rows = [row for told in self.told for row in told.refusals]
        cells = "cell" if len(rows) == 1 else "cells"
        lines = [f"{_count(len(rows), 'line')} or {cells} refused, by reason:"] if rows else []
        others = sum((told.others for told in self.told), Counter[str]())
        for group in by_reason(rows):
            where = f"{group.source} line {group.line}" if group.line else group.source
            text = f": {group.text[:80]}" if group.text else ""
            lines.append(f"{group.count:>8} × {group.reason}")
            lines.append(f"           first: {where}{text}")
            cause = group.cause
            if RECORDED in group.reason and others:
                cause = f"{names(others)} has other values for the same times; see below"
            if cause:
                lines.append(f"           likely cause: {cause}")
        return [*lines, *(hint for told in self.told if (hint := told.hint()) is not None)]

    def complaints(self) -> list[str]:
        """What is damaged; files that gave nothing, or of which too many lines were refused; and
        numbers of tables that cannot be right.
        """
        found = [line for told in self.told if (line := told.complaint()) is not None]
        return [*self.damaged, *found, *(line for told in self.told for line in told.odd)]
