"""What one commit brings: everything in it becomes durable together, or nothing does."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

Row = Mapping[str, Any]


class Rows(NamedTuple):
    """Rows of one table: names of the columns, and a tuple for each row."""

    columns: tuple[str, ...]
    values: Sequence[tuple[Any, ...]]


Records = Mapping[str, tuple[int, int, int]]
"""Channel → first and last record [µs], and how many."""


@dataclass(frozen=True, slots=True)
class Result:
    """One versioned thing with what belongs to it.

    Attributes
    ----------
    kind : str
        ``closures``, ``gaps`` or ``standard_visits``.
    identity : tuple
        Its key without station and revision.
    row : mapping
        Its own columns, without key and version.
    children : mapping of str to Rows
        Table → rows, without station and revision; their key begins with the
        identity's columns.
    digest : str
        Of row and children: a new revision is made only where it differs.
    """

    kind: str
    identity: tuple[Any, ...]
    row: Row
    digest: str
    children: Mapping[str, Rows] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Scope:
    """Identities that a settlement speaks for: those found there and not given are withdrawn.

    ``where`` names a chamber (closures, gaps) or an analyzer (standard visits);
    times are [µs], the end excluded.
    """

    kind: str
    where: str
    first_us: int
    stop_us: int


@dataclass(frozen=True, slots=True)
class Block:
    """A stretch of the journal as it is kept."""

    source: str
    first_us: int
    last_us: int
    rows: int
    channels: tuple[str, ...]
    data: bytes
    digest: str
    records: Records


@dataclass(slots=True)
class Changes:
    """One commit.

    Attributes
    ----------
    blocks : list of Block
        New stretches of the journal.
    rejects : list of rows
        For the quarantine.
    early : list of rows
        Those among the rejects that may be taken after all.
    early_taken : list of str
        Keys of lines that are taken now: they leave the quarantine.
    clock_events, positions : list of rows
        Doubts about clocks, and how far watched files have been taken.
    date_orders : list of rows
        How sources write dates: ``source``, ``shape``, ``date_order``; the first stands.
    hand_tables : list of rows
        Tables that people brought: ``kind``, ``name``, ``digest``, ``content``.
    notes_taken : list of int
        Notes of the field log whose consequences are among ``unsettled``.
    unsettled : list of (first, last) or None
        The spans [µs] still to be settled, replacing those known; None leaves them.
    results, stretches : list
        Results, and the stretches that they are complete for.
    provisional : mapping of str to list of Result
        Chamber → its closures that are not over, replacing those known; chambers that
        are not named keep theirs.
    """

    blocks: list[Block] = field(default_factory=list)
    rejects: list[Row] = field(default_factory=list)
    early: list[Row] = field(default_factory=list)
    early_taken: list[str] = field(default_factory=list)
    clock_events: list[Row] = field(default_factory=list)
    positions: list[Row] = field(default_factory=list)
    date_orders: list[Row] = field(default_factory=list)
    hand_tables: list[Row] = field(default_factory=list)
    notes_taken: list[int] = field(default_factory=list)
    unsettled: list[tuple[int, int]] | None = None
    results: list[Result] = field(default_factory=list)
    scopes: list[Scope] = field(default_factory=list)
    provisional: dict[str, list[Result]] = field(default_factory=dict)
    station_digest: str = ""
    station_content: str = ""
    software_version: str = ""
    renew: bool = False
    """Make a new revision also of a result that comes out the same, where it was stored
    under another station file or software version."""
