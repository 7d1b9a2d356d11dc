"""What the gases of one closure say about their start, and together about lid and seal."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from stream.compute.closures.headspace import HeadspaceConditions
from stream.compute.closures.points import FIRST, LEVEL, Points, to_canonical
from stream.compute.closures.rows import Event
from stream.science.closures.readings import levels_of_ends
from stream.science.models.fit import REASON_WORDS, Reason
from stream.science.quality.air import (
    Start,
    gross_starts,
    is_dark,
)
from stream.science.quality.flags import BAD, BIT, MISSING, quality
from stream.station import Analyzer, ClosureRules, Station
from stream.store.results.changes import Row
from stream.times import SECOND

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


def levels_of(points: Sequence[Points]) -> list[PreviousClosure]:
    """Levels at the beginning and at the end of closures, from their points."""
    found = [PreviousClosure(math.nan, math.nan, math.nan)] * len(points)
    many = []
    for i, p in enumerate(points):
        if p.known_variance and len(p.y) > 1:
            error = float(np.sqrt(1.0 / p.w[0] + 1.0 / p.w[-1]))
            found[i] = PreviousClosure(float(p.y[0]), float(p.y[-1]), error)
        elif len(p.y) >= 2 * LEVEL:
            many.append(i)
    if many:
        edges = [np.concatenate((points[i].y[:LEVEL], points[i].y[-LEVEL:])) for i in many]
        for i, row in zip(many, levels_of_ends(np.stack(edges), LEVEL).tolist(), strict=True):
            found[i] = PreviousClosure(*row)
    return found


_FROZEN_K: Final = 274.15

_FULL: Final = 0.9
"""Water-filled pore space."""


def soil_is_still(near: HeadspaceConditions) -> bool:
    """Whether the soil is frozen or full of water, so that it need not breathe."""
    return near.soil_temperature_k < _FROZEN_K or near.wfps > _FULL


def darkness(station: Station, closed_us: Sequence[int]) -> list[bool]:
    """Whether it was dark as each lid closed; False where the place is not known."""
    site = station.station
    if site.latitude is None or site.longitude is None:
        return [False] * len(closed_us)
    times = np.array(closed_us, dtype=np.int64)
    return [bool(x) for x in is_dark(times, site.latitude, site.longitude)]


def scales_of(station: Station, analyzer: Analyzer) -> dict[str, float]:
    """Gas → [nmol mol⁻¹] of one unit of its channel."""
    return {gas: to_canonical(station, channel)[0] for gas, channel in analyzer.gases.items()}


def starts_of(
    scales: Mapping[str, float], rows: Sequence[Row], points: Mapping[str, Points]
) -> dict[str, Start]:
    """How each gas of a closure that has readings began, from its flux rows and its points.

    Where most readings are out of the channel's range, they and not the rest tell how.
    """
    found = {}
    for row in rows:
        gas = row["gas"]
        scale, outside = scales[gas], points[gas].outside
        if outside == outside:
            found[gas] = Start(float("nan"), outside, scale)
            continue
        if not row["model"]:
            continue
        fitted = row.get("start_mole_fraction", float("nan"))
        found[gas] = Start(fitted, first_level(points[gas]), scale)
    return found


def first_level(points: Points) -> float:
    """The level that was measured first [nmol mol⁻¹], NaN without points."""
    y = points.y
    if not len(y):
        return float("nan")
    if points.known_variance or len(y) < 2 * LEVEL:
        return float(y[0])
    return float(sorted(y[:FIRST].tolist())[FIRST // 2])


def judge_gases(
    station: Station,
    analyzer: Analyzer,
    events: Sequence[Event],
    around: Sequence[HeadspaceConditions],
    fluxes: Sequence[Sequence[dict[str, Any]]],
    points: Mapping[str, Sequence[Points]],
    earlier: Sequence[Mapping[str, PreviousClosure]],
) -> list[int]:
    """Flag the starts of gases in their rows, and say what they tell together of each closure.

    Parameters
    ----------
    station, analyzer : Station, Analyzer
        The analyzer that all events are on.
    events, around : sequence of Event, HeadspaceConditions
        Closures, and the air under each lid.
    fluxes : sequence of rows
        Of each closure one row a gas, with flags as bits; these are added to.
    points : mapping of str to sequence of Points
        Gas → the points of each closure.
    earlier : sequence of mapping
        Of each event: gas → the closure before.

    Returns
    -------
    list of int
        Flags of each closure, as bits, as of :func:`seal_flags`.
    """
    rules = station.closure
    closed = [e.lid.closed_us for e in events]
    dark = darkness(station, closed)
    scales = scales_of(station, analyzer)
    found = []
    for i, (event, near, rows, before) in enumerate(
        zip(events, around, fluxes, earlier, strict=True)
    ):
        starts = starts_of(scales, rows, {gas: p[i] for gas, p in points.items()})
        begun = start_flags(starts, rules, dark=dark[i])
        for row in rows:
            row["flags"] |= begun.get(row["gas"], 0)
        rest_s = math.nan if event.before is None else (closed[i] - event.before[1]) / SECOND
        still = soil_is_still(near)
        found.append(seal_flags(rows, rules, before, dark=dark[i], still=still, rest_s=rest_s))
    return found


def seal_flags(
    rows: Sequence[Row],
    rules: ClosureRules,
    earlier: Mapping[str, PreviousClosure] | None = None,
    *,
    dark: bool = False,
    still: bool = False,
    rest_s: float = math.nan,
) -> int:
    """Flags of a closure, as bits, from its flux rows, one a gas.

    Only fluxes that nothing worse has spoiled have a say.

    Parameters
    ----------
    rows : sequence of rows
        As for the table of fluxes, with flags as bits.
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
    sound = [r for r in rows if quality(r["flags"]) not in {BAD, MISSING} and r["model"]]
    flags = 0
    for row in sound:
        if row["gas"] != "CO2":
            continue
        if not still and row["flags"] & BIT["below_detection"]:
            flags |= BIT["no_co2_rise"]
        falls = row["flux_nmol_m2_s"] + max(_FALLS, 3.0 * row["flux_se_nmol_m2_s"])
        if dark and falls < 0.0:
            flags |= BIT["co2_falls_in_dark"]
    if len(sound) > 1 and all(r["model_reason"] == _TOO_SHARP for r in sound):
        flags |= BIT["leak_suspected"]
    if (
        earlier
        and not (dark and rest_s > _AIRED_S)
        and _is_held_back(sound, rules, earlier, rest_s)
    ):
        flags |= BIT["not_flushed"]
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


def start_flags(starts: Mapping[str, Start], rules: ClosureRules, *, dark: bool) -> dict[str, int]:
    """Flags, as bits, of each gas whose closure did not begin with outdoor air.

    Parameters
    ----------
    starts : mapping of str to Start
        Gas → how it began.
    rules : ClosureRules
        For ``start_range``, ``ambient`` and its tolerance.
    dark : bool
        Whether it was dark.
    """
    gross = gross_starts(starts, rules.start_range, dark=dark)
    found = dict.fromkeys(gross, BIT["start_implausible"])
    for gas, start in starts.items():
        expected = rules.ambient.get(gas)
        if expected is not None and abs(start.fitted - expected) > (
            rules.ambient_tolerance * expected
        ):
            found[gas] = found.get(gas, 0) | BIT["start_off_ambient"]
    return found
