"""What a column of a table is: its name, type, unit, label and sentence."""

from dataclasses import dataclass
from typing import Literal

from stream.science.flux.units import sign

Kind = Literal["string", "integer", "number", "datetime", "date"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Attributes
    ----------
    name : str
        As others rely on it.
    kind : str
        ``datetime`` is RFC 3339 in UTC, ``date`` a day at the station.
    unit : str
        As UDUNITS reads it; empty where there is none.
    label : str
        For a screen, in lower case.
    sentence : str
        What it is, for those who were not there.
    key : str
        Where its value lies in a row from the database.
    model : str
        The model whose number it is; empty where it is that of the model reported.
    """

    name: str
    kind: Kind
    unit: str
    label: str
    sentence: str
    key: str
    model: str = ""

    @property
    def heading(self) -> str:
        """Label and unit, for the head of a table or an axis."""
        return ", ".join(part for part in (self.label, sign(self.unit)) if part)


def text(name: str, label: str, sentence: str, stored: str = "") -> Column:
    """A column of words; ``stored`` is its name in the database, where that is another."""
    return Column(name, "string", "", label, sentence, stored or name)


def whole(name: str, label: str, sentence: str) -> Column:
    """A column of whole numbers."""
    return Column(name, "integer", "", label, sentence, name)


def moment(name: str, label: str, sentence: str, stored: str = "") -> Column:
    """A column of moments, as RFC 3339 in UTC."""
    return Column(name, "datetime", "", label, sentence, stored or name)


def date(name: str, label: str, sentence: str) -> Column:
    """A column of days at the station."""
    return Column(name, "date", "", label, sentence, name)


def number(name: str, unit: str, label: str, sentence: str, stored: str = "") -> Column:
    """A column of numbers in a unit."""
    return Column(name, "number", unit, label, sentence, stored or name)
