"""The stretches of time in which a station was at work, and records that stray from them.

A clock that was wrong for a moment dates a record years away. Gaps are not counted up to
it, and nothing waits for it: it stands by itself, wherever in a file it stood.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from stream.times import DAY

_APART_US: Final = DAY
"""Records farther apart than this are not neighbours."""
_FEW_ROWS: Final = 20
"""Fewer rows than this without a neighbour are strays."""
_LONGEST_OUTAGE_US: Final = 366 * DAY
"""After a longer silence a station begins anew."""


@dataclass(frozen=True, slots=True)
class Span:
    """Some rows of records, from the first to the last [µs]."""

    first_us: int
    last_us: int
    rows: int


@dataclass(frozen=True, slots=True)
class Stretches:
    """What a station's records add up to.

    Attributes
    ----------
    at_work : list of Span
        In order; outages of up to a year lie within a stretch.
    strays : list of Span
        Few rows, over a day from all others and outside of every stretch.
    """

    at_work: list[Span]
    strays: list[Span]

    @property
    def newest_us(self) -> int | None:
        """The last record that does not stray [µs]."""
        found = self.worked_out()
        return found[-1].last_us if found else None

    def newest_by(self, now_us: int) -> int | None:
        """The last record that neither strays nor lies after a moment [µs]."""
        begun = [s for s in self.worked_out() if s.first_us <= now_us]
        return min(begun[-1].last_us, now_us) if begun else None

    def worked_out(self) -> list[Span]:
        """The stretches that results are worked out of, in order; strays only where there is
        nothing else.
        """
        return self.at_work or self.strays


def stretches_of(pieces: Iterable[tuple[int, int, int]]) -> Stretches:
    """Stretches of (first, last, rows) pieces of a journal, in any order."""
    groups: list[Span] = []
    for first, last, rows in sorted(pieces):
        if groups and first - groups[-1].last_us <= _APART_US:
            groups[-1] = _joined(groups[-1], Span(first, last, rows))
        else:
            groups.append(Span(first, last, rows))
    at_work: list[Span] = []
    for group in groups:
        if group.rows < _FEW_ROWS:
            continue
        if at_work and group.first_us - at_work[-1].last_us <= _LONGEST_OUTAGE_US:
            at_work[-1] = _joined(at_work[-1], group)
        else:
            at_work.append(group)
    strays = [
        g
        for g in groups
        if g.rows < _FEW_ROWS
        and not any(s.first_us <= g.first_us and g.last_us <= s.last_us for s in at_work)
    ]
    return Stretches(at_work, strays)


def _joined(a: Span, b: Span) -> Span:
    return Span(a.first_us, max(a.last_us, b.last_us), a.rows + b.rows)
