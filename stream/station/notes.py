"""The field log: what a person did, saw or measured at the station."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Final

from stream.errors import CommandError
from stream.note_kinds import KINDS, TAKEN_BACK
from stream.science.quality.likely import HEIGHT
from stream.station.models import Station
from stream.times import DAY

_LONGEST: Final = {"text": 2000, "author": 80}


@dataclass(frozen=True, slots=True)
class FieldNote:
    """One note; a note is never changed, only taken back by a later one.

    Attributes
    ----------
    number : int
        Counts the station's notes from 1.
    at_us, until_us : int
        When it was, and for a bad period until when, None for until further notice [µs].
    written_us : int
        When it was written down [µs].
    kind : str
        One of :data:`KINDS`.
    author, text : str
    chamber, plot, treatment : str
        What it is about; all three '' for the whole station.
    amount : float or None
        In the unit of the kind.
    refers : int or None
        The note that a ``taken_back`` takes back.
    """

    number: int
    at_us: int
    until_us: int | None
    written_us: int
    kind: str
    author: str
    chamber: str
    plot: str
    treatment: str
    amount: float | None
    text: str
    refers: int | None

    def about(self, station: Station) -> frozenset[str]:
        """The chambers that it is about."""
        return frozenset(
            c.id
            for c in station.chambers
            if self.chamber in {"", c.id}
            and self.plot in {"", c.plot}
            and self.treatment in {"", c.treatment}
        )


@dataclass(frozen=True, slots=True)
class BadPeriod:
    """A time that a person marked as bad, for some chambers; the end excluded [µs]."""

    first_us: int
    stop_us: int
    chambers: frozenset[str]

    def touches(self, chamber: str, closed_us: int, opened_us: int) -> bool:
        """Whether a closure overlaps it."""
        return chamber in self.chambers and closed_us < self.stop_us and opened_us > self.first_us


def read_notes(rows: Iterable[Mapping[str, Any]]) -> list[FieldNote]:
    """Notes from rows of the store, in order of number."""
    names = [f.name for f in fields(FieldNote)]
    found = [FieldNote(**{name: row[name] for name in names}) for row in rows]
    return sorted(found, key=lambda n: n.number)


def standing(notes: Sequence[FieldNote]) -> list[FieldNote]:
    """The notes that hold: those taken back are left out, and the takings back too.

    A taking back can be taken back itself; then what it took back holds again.
    """
    gone: set[int] = set()
    kept = []
    for note in sorted(notes, key=lambda n: -n.number):
        if note.number in gone:
            continue
        if note.kind == TAKEN_BACK:
            gone.add(note.refers or 0)
        else:
            kept.append(note)
    return kept[::-1]


def check_note(station: Station, note: FieldNote, now_us: int) -> None:
    """Refuse a note that cannot be meant.

    Raises
    ------
    CommandError
        One line: what is wrong and what to write.
    """
    if note.kind not in KINDS:
        raise CommandError(f"kind: {note.kind!r} is not known; write one of {', '.join(KINDS)}")
    if not note.text.strip():
        raise CommandError("text: empty; say in a few words what was done or seen")
    for name, most in _LONGEST.items():
        if len(getattr(note, name)) > most:
            raise CommandError(f"{name}: longer than {most} characters; shorten it")
    if not note.author.strip():
        raise CommandError("by: missing; say who writes this")
    for key, known in (
        ("chamber", {c.id for c in station.chambers}),
        ("plot", {c.plot for c in station.chambers} - {""}),
        ("treatment", {c.treatment for c in station.chambers} - {""}),
    ):
        given = getattr(note, key)
        if given and given not in known:
            raise CommandError(
                f"{key}: the station has none called {given!r}; it is one of"
                f" {', '.join(sorted(known))}"
            )
    if not note.about(station):
        raise CommandError("chamber, plot, treatment: no chamber is all of these; leave some out")
    if note.at_us > now_us + DAY:
        raise CommandError("at: more than a day ahead; look at the year and the offset")
    if note.until_us is not None and not KINDS[note.kind].has_end:
        raise CommandError("until: only a bad period has an end; leave it out")
    if note.until_us is not None and not note.until_us > note.at_us:
        raise CommandError("until: not later than at")
    _check_amount(note)


def _check_amount(note: FieldNote) -> None:
    kind = KINDS[note.kind]
    unit = kind.unit
    if note.amount is None:
        if kind.needs_amount:
            raise CommandError(f"amount: missing; a note of {note.kind} needs one, in {unit}")
        return
    if not unit:
        raise CommandError(f"amount: a note of {note.kind} has none; put it into the text")
    if not 0 <= note.amount < 1e6:
        raise CommandError(f"amount: {note.amount:g} {unit} cannot be; write it in {unit}")
    if note.kind == "height" and HEIGHT.cannot_be(note.amount):
        meant = HEIGHT.likely(note.amount)
        hint = f"{meant}. Write" if meant else "write"
        raise CommandError(f"amount: a headspace {note.amount:g} m high cannot be; {hint} it in m")
    if note.kind == "height" and not note.chamber:
        raise CommandError("chamber: missing; say whose height was measured")
