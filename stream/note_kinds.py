"""Kinds of notes in the field log: one record each."""

from dataclasses import dataclass
from typing import Final, Literal


@dataclass(frozen=True, slots=True)
class NoteKind:
    """What a note of this kind may say, and what it bears on.

    Attributes
    ----------
    name : str
        The word by which it is written and stored.
    unit : str
        Of its amount; '' where an amount means nothing.
    label : str
        As the page offers it.
    needs_amount, has_end : bool
        Whether it must have an amount, and whether it may have an end.
    event : bool
        Whether it is an event of the field, as ``[[events]]`` of the station file are.
    mark : str
        Of an event, in figures.
    reworks : str
        Which closures are worked out again: none, those of the period that it names, or those
        up to the chamber's next height.
    """

    name: str
    unit: str = ""
    label: str = ""
    needs_amount: bool = False
    has_end: bool = False
    event: bool = False
    mark: str = ""
    reworks: Literal["", "period", "height"] = ""


TAKEN_BACK: Final = "taken_back"
"""The kind that no person chooses: it takes an earlier note back."""

KINDS: Final = {
    kind.name: kind
    for kind in (
        NoteKind("fertilizer", "kg N/ha", event=True, mark="N"),
        NoteKind("irrigation", "mm", event=True, mark="i"),
        NoteKind("rain", "mm", event=True, mark="r"),
        NoteKind("tillage", event=True, mark="t"),
        NoteKind("harvest", event=True, mark="h"),
        NoteKind("yield", "t/ha", needs_amount=True),
        NoteKind("height", "m", "height measured", needs_amount=True, reworks="height"),
        NoteKind("moved"),
        NoteKind("flooded"),
        NoteKind("standard", label="standard changed"),
        NoteKind("bad", label="bad period", has_end=True, reworks="period"),
        NoteKind("other"),
        NoteKind(TAKEN_BACK),
    )
}
"""Word → kind, in the order in which they are offered."""

EVENTS: Final = tuple(kind for kind in KINDS.values() if kind.event)
OFFERED: Final = tuple(kind for kind in KINDS.values() if kind.name != TAKEN_BACK)
