"""What the gases of one closure say about their start, and together about lid and seal."""

import math
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from typing import Final

import numpy as np

from stream.compute.closures.points import LEVEL, Points
from stream.science.closures.readings import levels
from stream.science.models.fit import REASON_WORDS, Reason
from stream.science.quality.air import Start, gross_starts
from stream.science.quality.flags import BAD, MISSING, quality, words
from stream.station import ClosureRules
from stream.store.results.changes import Row

_CLEAR: Final = 10.0
"""Rise over its standard error from which the closure before has a say."""
_FALLS: Final = 300.0
"""Flux of CO2 below zero from which it falls [nmol m⁻² s⁻¹]."""
_CHANGES: Final = {"CO2": 15_000.0, "CH4": 30.0, "N2O": 3.0}
"""What outdoor air changes by between two closures without more ado [nmol mol⁻¹; common
practice, no source]."""
_AIRED_S: Final = 3600.0
"""An open chamber has been aired after so long, even in a calm [s; common practice, no source]."""
_SHUT: Final = 0.9
"""Share that is left where the lid did not open at all."""
_TOO_SHARP = REASON_WORDS[Reason.CURVE_TOO_SHARP]


@dataclass(frozen=True, slots=True)
class PreviousClosure:
    """One gas in the closure before [nmol mol⁻¹]: NaN where nothing is known.

    Attributes
    ----------
    first, last : float
        Level at its beginning and end.
    error : float
        Standard error of their difference.
    """

    first: float
    last: float
    error: float

    def leftover(self, start: float, ambient: float | None, least: float) -> float:
        """Share of what it held in the end, over outside air, that is still there at a
        start; NaN where it did not rise clearly, and by ``least``.

        Where outside air is not known, the first level stands for it: then only the first
        closures that are not flushed show, before all start high alike.
        """
        if not abs(self.last - self.first) > max(_CLEAR * self.error, least):
            return math.nan
        base = self.first if ambient is None else ambient
        return (start - base) / (self.last - base)


def levels_of(points: Points) -> PreviousClosure:
    """Levels at the beginning and at the end of a closure, from its points."""
    y = points.y
    if points.known_variance and len(y) > 1:
        error = float(np.sqrt(1.0 / points.w[0] + 1.0 / points.w[-1]))
        return PreviousClosure(float(y[0]), float(y[-1]), error)
    if len(y) < 2 * LEVEL:
        return PreviousClosure(math.nan, math.nan, math.nan)
    return PreviousClosure(*levels(y, LEVEL))


def seal_flags(
    rows: Sequence[Row],
    rules: ClosureRules,
    earlier: Mapping[str, PreviousClosure] | None = None,
    *,
    dark: bool = False,
    still: bool = False,
    rest_s: float = math.nan,
) -> set[str]:
    """Flags of a closure from its flux rows, one a gas.

    Only fluxes that nothing worse has spoiled have a say.

    Parameters
    ----------
    rows : sequence of rows
        As for the table of fluxes.
    rules : ClosureRules
        For ``ambient`` and ``max_leftover``.
    earlier : mapping of str to PreviousClosure, optional
        Gas → the closure before.
    dark : bool
        Whether it was dark.
    still : bool
        Whether the soil is frozen or full of water, and need not breathe.
    rest_s : float
        How long the lid had stood open since the closure before [s]; NaN where not known.
    """
    sound = [r for r in rows if quality(r["flags"].split()) not in {BAD, MISSING} and r["model"]]
    flags: set[str] = set()
    for row in sound:
        if row["gas"] != "CO2":
            continue
        if not still and "below_detection" in row["flags"].split():
            flags.add("no_co2_rise")
        falls = row["flux_nmol_m2_s"] + max(_FALLS, 3.0 * row["flux_se_nmol_m2_s"])
        if dark and falls < 0.0:
            flags.add("co2_falls_in_dark")
    if len(sound) > 1 and all(r["model_reason"] == _TOO_SHARP for r in sound):
        flags.add("leak_suspected")
    if (
        earlier
        and not (dark and rest_s > _AIRED_S)
        and _is_held_back(sound, rules, earlier, rest_s)
    ):
        flags.add("not_flushed")
    return flags


def _is_held_back(
    rows: Sequence[Row], rules: ClosureRules, earlier: Mapping[str, PreviousClosure], rest_s: float
) -> bool:
    """Whether every gas that rose clearly in the closure before is still there.

    After an hour with an open lid nothing is left, unless it did not open, which shows by
    day: what has gathered by night is that of still air. Where outdoor air is not known,
    two gases at least must say so: CO2 alone gathers outdoors in any still night.
    """
    told = {}
    for row in rows:
        gas = row["gas"]
        if gas in earlier:
            expected = rules.ambient.get(gas)
            least = 0.0 if expected is not None else _CHANGES.get(gas, 0.0)
            told[gas] = earlier[gas].leftover(row["start_mole_fraction"], expected, least)
    shares = {gas: share for gas, share in told.items() if not math.isnan(share)}
    most = max(rules.max_leftover, _SHUT) if rest_s > _AIRED_S else rules.max_leftover
    if not shares or min(shares.values()) <= most:
        return False
    known = any(gas in rules.ambient for gas in shares)
    return known or len(shares) > 1 or (len(told) == 1 and "CO2" not in told)


def start_flags(
    starts: Mapping[str, Start], rules: ClosureRules, *, dark: bool
) -> dict[str, set[str]]:
    """Flags of each gas whose closure did not begin with outdoor air.

    Parameters
    ----------
    starts : mapping of str to Start
        Gas → how it began.
    rules : ClosureRules
        For ``start_range``, ``ambient`` and its tolerance.
    dark : bool
        Whether it was dark.
    """
    found: dict[str, set[str]] = {}
    for gas in gross_starts(starts, rules.start_range, dark=dark):
        found.setdefault(gas, set()).add("start_implausible")
    for gas, start in starts.items():
        expected = rules.ambient.get(gas)
        if expected is not None and abs(start.fitted - expected) > (
            rules.ambient_tolerance * expected
        ):
            found.setdefault(gas, set()).add("start_off_ambient")
    return found


def with_flags(row: Row, more: Set[str]) -> Row:
    """A row that bears more flags, and the quality that follows."""
    if not more:
        return row
    flags = {*row["flags"].split(), *more}
    return {**row, "flags": words(flags), "quality": quality(flags)}
