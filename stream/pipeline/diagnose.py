"""What the gases of one closure say together about lid and seal."""

from collections.abc import Sequence

from stream.science.choice import REASON_WORDS, Reason
from stream.science.flags import BAD, MISSING, quality, words
from stream.station import ClosureRules
from stream.store.changes import Row

_TOO_SHARP = REASON_WORDS[Reason.CURVE_TOO_SHARP]


def seal_flags(rows: Sequence[Row], rules: ClosureRules) -> set[str]:
    """Flags of a closure from its flux rows, one a gas.

    Only fluxes that nothing worse has spoiled have a say.

    Parameters
    ----------
    rows : sequence of rows
        As for the table of fluxes.
    rules : ClosureRules
        For ``ambient`` and its tolerance.
    """
    sound = [r for r in rows if quality(r["flags"].split()) not in {BAD, MISSING} and r["model"]]
    flags: set[str] = set()
    for row in sound:
        if row["gas"] == "CO2" and "below_detection" in row["flags"].split():
            flags.add("no_co2_rise")
    if len(sound) > 1 and all(r["model_reason"] == _TOO_SHARP for r in sound):
        flags.add("leak_suspected")
    for row in sound:
        expected = rules.ambient.get(row["gas"])
        if expected is not None:
            off = abs(row["start_mole_fraction"] - expected)
            if off > rules.ambient_tolerance * expected:
                flags.add("start_off_ambient")
    return flags


def with_flags(row: Row, more: set[str]) -> Row:
    """A row that bears more flags, and the quality that follows."""
    if not more:
        return row
    flags = {*row["flags"].split(), *more}
    return {**row, "flags": words(flags), "quality": quality(flags)}
