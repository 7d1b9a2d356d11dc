"""Outdoor air as a check: when a lid closes, the air inside is the air outside."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Final

OUTDOOR_NMOL: Final = {"CO2": 422_800.0, "CH4": 1929.0, "N2O": 337.7}
"""Global means of marine surface air in 2024 [nmol mol⁻¹; NOAA Global Monitoring Laboratory,
from memory, to three digits]."""
START_NMOL: Final = {
    "CO2": (300_000.0, 5_000_000.0),
    "CH4": (1_000.0, 50_000.0),
    "N2O": (250.0, 3_000.0),
}
"""Within what a closure may begin [nmol mol⁻¹ of dry air]: canopies draw CO2 down by day, and
all three gather over soil and livestock in still nights [common practice, no source]."""
LEAST_CO2_IN_DARK: Final = 350_000.0
"""Nothing takes up CO2 in the dark [nmol mol⁻¹]."""
_NEAR: Final = (0.75, 1.7)
"""Over outdoor air, to be taken for it."""


@dataclass(frozen=True, slots=True)
class Start:
    """How one gas of a closure began.

    Attributes
    ----------
    fitted, first : float
        By the model at the moment of closing, and the first level that was measured, of dry
        air [nmol mol⁻¹]; NaN where there is none.
    scale : float
        [nmol mol⁻¹] of one unit of its channel.
    """

    fitted: float
    first: float
    scale: float

    def outside(self, low: float, high: float) -> bool:
        """Whether it lies outside bounds, both as fitted and as first measured."""
        known = [x for x in (self.fitted, self.first) if x == x]
        return bool(known) and (all(x < low for x in known) or all(x > high for x in known))

    @property
    def best(self) -> float:
        """Fitted where there is a fit."""
        return self.fitted if self.fitted == self.fitted else self.first


def gross_starts(
    starts: Mapping[str, Start],
    allowed: Mapping[str, tuple[float, float]],
    *,
    dark: bool,
) -> set[str]:
    """Gases that began nowhere near outdoor air.

    Parameters
    ----------
    starts : mapping of str to Start
        Gas → how it began.
    allowed : mapping of str to (low, high)
        Gas → bounds [nmol mol⁻¹], where they are other than :data:`START_NMOL`.
    dark : bool
        Whether it was dark.

    Returns
    -------
    set of str
        Each by itself, and both of two that look exchanged where one of them is outside.
    """
    found = set()
    for gas, start in starts.items():
        bounds = allowed.get(gas, START_NMOL.get(gas))
        if bounds is None:
            continue
        low, high = bounds
        if gas == "CO2" and dark and gas not in allowed:
            low = max(low, LEAST_CO2_IN_DARK)
        if start.outside(low, high):
            found.add(gas)
    for a, b in exchanged(starts):
        if found & {a, b}:
            found |= {a, b}
    return found


def exchanged(starts: Mapping[str, Start]) -> list[tuple[str, str]]:
    """Pairs of gases whose numbers would each be right in the column of the other, and are far
    less so where they stand.
    """
    known = [g for g, s in starts.items() if g in OUTDOOR_NMOL and s.best > 0.0]
    found = []
    for a, b in combinations(known, 2):
        turned = (
            (b, starts[a].best / starts[a].scale * starts[b].scale),
            (a, starts[b].best / starts[b].scale * starts[a].scale),
        )
        as_is = ((a, starts[a].best), (b, starts[b].best))
        if all(_is_outdoor(*t) for t in turned) and _off(turned) < 0.5 * _off(as_is):
            found.append((a, b))
    return found


def _off(values: Iterable[tuple[str, float]]) -> float:
    """How far values are from outdoor air, as logarithms of the ratios, summed."""
    return sum(abs(math.log(value / OUTDOOR_NMOL[gas])) for gas, value in values)


def _is_outdoor(gas: str, value: float) -> bool:
    usual = OUTDOOR_NMOL[gas]
    return _NEAR[0] * usual <= value <= _NEAR[1] * usual


def likely_cause(gas: str, starts: Mapping[str, Start], unit: str) -> str:
    """What most likely lies behind a start that is far from outdoor air, as a sentence.

    Parameters
    ----------
    gas : str
        The gas.
    starts : mapping of str to Start
        All gases of the closure, or their medians over several.
    unit : str
        Of the gas's channel.

    Returns
    -------
    str
        Such as ``CH4 begins at 331 nmol/mol, typical of N2O. The two columns may be exchanged``
    """
    value, scale = starts[gas].best, starts[gas].scale
    usual = OUTDOOR_NMOL.get(gas)
    if value != value:
        return f"{gas} has no reading within its range. Check unit, column and range"
    says = f"{gas} begins at {_short(value / scale)} {unit}"
    if usual is None:
        return f"{says}. Check unit, column and calibration"
    for pair in exchanged(starts):
        if gas in pair:
            other = pair[0] if pair[1] == gas else pair[1]
            return f"{says}, typical of {other}. The two columns may be exchanged"
    for factor, word in ((1e3, "1,000"), (1e6, "1,000,000"), (100.0, "100")):
        if _is_outdoor(gas, value / factor):
            return f"{says}, {word} times outdoor air. The unit of its channel may be wrong"
        if _is_outdoor(gas, value * factor):
            return f"{says}, 1/{word} of outdoor air. The unit of its channel may be wrong"
    if abs(value) < 0.05 * usual:
        return f"{says}, close to zero. It may be zero gas, or a sensor without a signal"
    for other, theirs in starts.items():
        like = value / scale * theirs.scale
        if other != gas and other in OUTDOOR_NMOL and _is_outdoor(other, like):
            return f"{says}, typical of {other}. It may be the wrong column"
    side = "above" if value > usual else "below"
    return (
        f"{says}, far {side} outdoor air ({_short(usual / scale)}). Calibration, unit or column may"
        " be wrong, or a cylinder may leak"
    )


def _short(value: float) -> str:
    """To four digits, with commas."""
    if value != value:
        return "nothing"
    rounded = float(f"{value:.4g}")
    return f"{rounded:,.0f}" if abs(rounded) >= 1000 else f"{rounded:g}"
