"""Numbers of the station file that cannot be right, or are odd: most often a wrong unit.

What cannot be right is refused; on a station that runs already its records are still taken,
and the results that it bears on are marked. What is odd and may be right is asked about until
``checks.confirmed`` names its key.
"""

import math
import re
from collections.abc import Iterator, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import datetime

from stream.science.flux.flux import standard_pressure
from stream.science.flux.units import CHANNEL_UNITS, rule_between
from stream.science.quality.air import OUTDOOR_NMOL
from stream.science.quality.likely import AREA, EXTRA_VOLUME, HEIGHT, YIELD, Size
from stream.station.clock import read_clock
from stream.station.models import Analyzer, Chamber, Station, lids_of_one_column


@dataclass(frozen=True, slots=True)
class Implausible:
    """A number of the station file that is out of the common.

    Attributes
    ----------
    key : str
        Its place.
    text : str
        What is wrong, and the likely unit.
    refused : bool
        Whether it cannot be right; otherwise it is asked about.
    chambers : frozenset of str
        Whose fluxes it bears on.
    """

    key: str
    text: str
    refused: bool
    chambers: frozenset[str]


def implausible(station: Station) -> list[Implausible]:
    """Every number that cannot be right or is odd and not confirmed, in the order of the file."""
    everywhere = frozenset(c.id for c in station.chambers)
    found = [
        *_site(station, everywhere),
        *_clocks(station, everywhere),
        *_treatments(station),
        *_channels(station),
        *_unused(station),
        *(f for i, a in enumerate(station.analyzers) for f in _analyzer(station, i, a)),
        *(f for i, c in enumerate(station.chambers) for f in _chamber(i, c)),
        *(f for i, c in enumerate(station.chambers) for f in _lid_words(station, i, c)),
        *_rules(station, everywhere),
    ]
    confirmed = set(station.checks.confirmed)
    return [f for f in found if f.refused or not confirmed & {f.key, _for_all(f.key)}]


_AMBIGUOUS_ZONES = {"CET": "+01:00", "MET": "+01:00", "EET": "+02:00", "WET": "+00:00"}
"""Names of a standard time that the zone database takes with summer time → their offset."""


def _clocks(station: Station, who: frozenset[str]) -> Iterator[Implausible]:
    """Names that may mean a clock with summer time or one without."""
    clocks = [("station.clock", station.station.clock)]
    clocks += [
        (f"sources[{i}].clock", clock)
        for i, s in enumerate(station.sources)
        if (clock := getattr(s, "clock", None)) is not None
    ]
    for key, name in clocks:
        if name in _AMBIGUOUS_ZONES:
            text = (
                f"{name!r} follows summer time. Write {_AMBIGUOUS_ZONES[name]!r} for a clock that"
                " stays on standard time all year, or the zone of a place, like 'Europe/Berlin'"
            )
            yield Implausible(key, text, False, who)


def _treatments(station: Station) -> Iterator[Implausible]:
    """Treatments whose names differ in capitals or blanks alone."""
    names = sorted({c.treatment for c in station.chambers} - {""})
    for i, one in enumerate(names):
        for other in names[:i]:
            if "".join(one.split()).casefold() == "".join(other.split()).casefold():
                who = frozenset(c.id for c in station.chambers if c.treatment in {one, other})
                text = f"{other!r} and {one!r} differ in capitals or blanks alone; write one name"
                yield Implausible("chambers.treatment", text, False, who)


_FINE, _FINEST = 1e-5, 2e-6
"""Share of outdoor air below which a precision is asked about, and below which it is refused. The
finest analyzers reach some 3e-5 at 1 s [common practice, no source]."""


def _for_all(key: str) -> str:
    """A key of one chamber or height as that of all: without its numbers in brackets."""
    return re.sub(r"\[\d+\]", "", key)


def told(found: Sequence[Implausible]) -> list[str]:
    """For people: one line for all chambers that have the same number in the same place."""
    groups: dict[tuple[str, str], list[Implausible]] = {}
    for f in found:
        groups.setdefault((_for_all(f.key), f.text), []).append(f)
    lines = []
    for mine in groups.values():
        more = f" (and {len(mine) - 1} more like it)" if len(mine) > 1 else ""
        lines.append(f"{mine[0].key}: {mine[0].text}{more}")
    return lines


def refused_chambers(station: Station) -> frozenset[str]:
    """Chambers whose fluxes rest on a number that cannot be right."""
    return frozenset[str]().union(*(f.chambers for f in implausible(station) if f.refused))


def _sized(key: str, value: float, size: Size, who: frozenset[str]) -> Iterator[Implausible]:
    """One number that has a size."""
    meant = size.likely(value)
    said = f"{value:g} {size.unit}"
    if size.cannot_be(value):
        yield Implausible(key, f"{said} cannot be right. {_write(meant, size)}", True, who)
    elif size.is_odd(value):
        hint = f" {meant[0].upper()}{meant[1:]}." if meant else ""
        yield Implausible(key, f"{said} is unusual.{hint}", False, who)


def _write(meant: str, size: Size) -> str:
    return f"{meant[0].upper()}{meant[1:]}. Use {size.unit}." if meant else f"Use {size.unit}."


def _site(station: Station, who: frozenset[str]) -> Iterator[Implausible]:
    site = station.station
    if site.elevation_m > 6000.0:
        yield Implausible(
            "station.elevation_m",
            f"{site.elevation_m:g} m is higher than farmland. In feet that would be"
            f" {site.elevation_m * 0.3048:.0f} m.",
            False,
            who,
        )
    if site.longitude is None:
        return
    try:
        zone = read_clock(site.timezone)
    except ValueError:
        return
    winter = (datetime(2026, month, 1, tzinfo=zone).utcoffset() for month in (1, 7))
    hours = [offset.total_seconds() / 3600.0 for offset in winter if offset is not None]
    apart = min((_around(h - site.longitude / 15.0) for h in hours), default=0.0)
    if apart > 3.5 and site.timezone not in {"UTC", "Etc/UTC"}:
        yield Implausible(
            "station.longitude",
            f"{site.longitude:g}° is {apart:.0f} h from {site.timezone}. Check whether latitude and"
            " longitude are exchanged, or the sign is wrong (west is negative).",
            False,
            who,
        )


def _around(hours: float) -> float:
    """Distance of two hours of the day [h]."""
    return abs((hours + 12.0) % 24.0 - 12.0)


def _channels(station: Station) -> Iterator[Implausible]:
    """Ranges that shut out what a channel must show."""
    gases = {c: (g, a.id) for a in station.analyzers for g, c in a.gases.items()}
    pressures = {c.pressure_channel for c in station.chambers} - {None}
    for name, channel in station.channels.items():
        unit = CHANNEL_UNITS.get(channel.unit)
        if channel.range is None or unit is None:
            continue
        key, (low, high) = f"channels.{name}.range", channel.range
        said = f"{low:g} to {high:g} {channel.unit}"
        users = frozenset(c.id for c in station.chambers if name in _channels_of(station, c))
        if name in gases and unit.quantity == "mole fraction":
            gas = gases[name][0]
            usual = OUTDOOR_NMOL.get(gas, math.nan) / rule_between(channel.unit, "nmol/mol")[0]
            if usual < low or usual > high:
                text = (
                    f"{said} excludes outdoor air ({usual:.4g} {channel.unit} of {gas}). The range"
                    " is in the unit of the channel; correct one of them."
                )
                yield Implausible(key, text, True, users)
        elif name in pressures and unit.quantity == "pressure":
            usual = standard_pressure(station.station.elevation_m) / unit.factor
            if usual < 0.97 * low or usual > 1.03 * high:
                text = (
                    f"{said} excludes the usual pressure at {station.station.elevation_m:g} m"
                    f" ({usual:.4g} {channel.unit}). Correct it, its unit or the elevation."
                )
                yield Implausible(key, text, True, users)
        elif unit.quantity == "temperature":
            mild = 288.15 / unit.factor - unit.offset
            if mild < low or mild > high:
                text = f"{said} excludes 15 degC. The range is in the unit of the channel."
                yield Implausible(key, text, True, users)


def _unused(station: Station) -> Iterator[Implausible]:
    """Sensors that look like one for each chamber, where all chambers are computed from one."""
    used = {c for a in station.analyzers for c in a.gases.values()}
    for i, a in enumerate(station.analyzers):
        chambers = station.chambers_on(a.id)
        if a.sampling != "continuous" or a.shared or len(chambers) < 2:
            continue
        ids = {c.id.casefold() for c in chambers}
        for gas, channel in a.gases.items():
            defined = station.channels.get(channel)
            if defined is None:
                continue
            others = [n for n, c in station.channels.items() if c.unit == defined.unit]
            found = alike(channel, [n for n in others if n not in used], gas, ids)
            if found:
                many = len(found) > 1
                text = (
                    f"{', '.join(found)} {'are' if many else 'is'} recorded and no analyzer uses"
                    f" {'them' if many else 'it'}: all {len(chambers)} chambers are computed from"
                    f" {channel}. If each chamber has a sensor of its own, add an"
                    " analyzer for each."
                )
                yield Implausible(
                    f"analyzers[{i}].gases.{gas}", text, False, frozenset(c.id for c in chambers)
                )


def alike(used: str, names: Sequence[str], gas: str, chambers: AbstractSet[str]) -> list[str]:
    """Names that differ from a used one in a chamber's id, a number or a single letter alone.

    Parameters
    ----------
    used : str
    names : sequence of str
        Those that nothing uses.
    gas : str
        Where it stands in the name, number or letter may follow without a break.
    chambers : set of str
        Ids, in lower case.
    """

    def parts(name: str) -> list[str]:
        glued = rf"(?<![^\W_])({re.escape(gas.casefold())})(?=([a-z]|\d+)(?![^\W_]))"
        return re.split(r"[\W_]+", re.sub(glued, r"\1 ", name.casefold()))

    def sets_apart(part: str) -> bool:
        return part in chambers or re.fullmatch(r"[a-z]?\d+|[a-z]", part) is not None

    mine, found = parts(used), []
    for name in names:
        other = parts(name)
        apart = [(a, b) for a, b in zip(mine, other, strict=False) if a != b]
        if len(mine) == len(other) and len(apart) == 1 and all(map(sets_apart, apart[0])):
            found.append(name)
    return found


def _channels_of(station: Station, chamber: Chamber) -> set[str | None]:
    """Channels that a chamber's fluxes rest on."""
    analyzer = station.analyzer(chamber.analyzer) if _has(station, chamber.analyzer) else None
    gases = set(analyzer.gases.values()) if analyzer else set()
    return {chamber.air_temperature_channel, chamber.pressure_channel, *gases}


def _has(station: Station, analyzer: str) -> bool:
    return any(a.id == analyzer for a in station.analyzers)


def _analyzer(station: Station, i: int, a: Analyzer) -> Iterator[Implausible]:
    who = frozenset(c.id for c in station.chambers_on(a.id))
    for gas, channel in a.gases.items():
        defined = station.channels.get(channel)
        if defined is None or defined.unit not in CHANNEL_UNITS or gas not in OUTDOOR_NMOL:
            continue
        if CHANNEL_UNITS[defined.unit].quantity != "mole fraction":
            yield from _standards(a, i, gas, defined.unit, who, areas=True)
            continue
        yield from _standards(a, i, gas, defined.unit, who, areas=False)
        usual = OUTDOOR_NMOL[gas] / rule_between(defined.unit, "nmol/mol")[0]
        stated = a.precision.get(gas)
        if stated is not None and stated > 0.05 * usual:
            text = (
                f"{stated:g} {defined.unit} is {100 * stated / usual:.0f} % of outdoor air"
                f" ({usual:.4g}). The precision is in the unit of the channel."
                f"{_precision_in(stated, defined.unit, usual)}"
            )
            yield Implausible(f"analyzers[{i}].precision.{gas}", text, stated > 0.5 * usual, who)
        elif stated is not None and stated < _FINE * usual:
            text = (
                f"{stated:g} {defined.unit} is finer than analyzers read outdoor air"
                f" ({usual:.4g}). The precision is in the unit of the channel."
                f"{_precision_in(stated, defined.unit, usual)}"
            )
            refused = stated < _FINEST * usual
            yield Implausible(f"analyzers[{i}].precision.{gas}", text, refused, who)
    if a.sampling == "continuous" and a.lag_s > 180.0:
        text = f"{a.lag_s:g} s is unusually long. Measure it with a breath at the inlet."
        yield Implausible(f"analyzers[{i}].lag_s", text, False, who)


def _precision_in(stated: float, unit: str, usual: float) -> str:
    """What a precision would be if it was written in another unit, where that is usual."""
    found: dict[str, str] = {}
    for other, known in CHANNEL_UNITS.items():
        if known.quantity != "mole fraction" or other == unit:
            continue
        meant = stated * rule_between(other, unit)[0]
        if 3e-5 * usual <= meant <= 0.02 * usual:
            found.setdefault(f"{meant:.4g} {unit}", other)
    told = " or ".join(f"In {other} that would be {meant}" for meant, other in found.items())
    return f" {told}." if told else ""


def _standards(
    a: Analyzer, i: int, gas: str, unit: str, who: frozenset[str], *, areas: bool
) -> Iterator[Implausible]:
    for j, s in enumerate(a.standards):
        written = s.unit or unit
        if s.gas != gas or s.value == 0.0 or (areas and s.unit is None):
            continue
        if written not in CHANNEL_UNITS or CHANNEL_UNITS[written].quantity != "mole fraction":
            continue
        over = s.value * rule_between(written, "nmol/mol")[0] / OUTDOOR_NMOL[gas]
        if 0.1 <= over <= 50.0:
            continue
        text = f"{s.value:g} {written} of {gas} is {over:.3g} times outdoor air. Check its unit."
        key = f"analyzers[{i}].standards[{j}].value"
        yield Implausible(key, text, not 0.005 <= over <= 500.0, who)


def _chamber(i: int, c: Chamber) -> Iterator[Implausible]:
    who, path = frozenset({c.id}), f"chambers[{i}]"
    yield from _sized(f"{path}.area_m2", c.area_m2, AREA, who)
    yield from _sized(f"{path}.extra_volume_m3", c.extra_volume_m3, EXTRA_VOLUME, who)
    for j, h in enumerate(c.heights):
        yield from _sized(f"{path}.heights[{j}].height_m", h.height_m, HEIGHT, who)
    if AREA.cannot_be(c.area_m2) or EXTRA_VOLUME.cannot_be(c.extra_volume_m3):
        return
    least = min(h.height_m for h in c.heights) * c.area_m2
    if c.extra_volume_m3 > least and not EXTRA_VOLUME.is_odd(c.extra_volume_m3):
        text = (
            f"{c.extra_volume_m3:g} m3 is more than the headspace itself"
            f" ({least:.4g} m3). In litres that would be {1e-3 * c.extra_volume_m3:.4g} m3."
        )
        yield Implausible(f"{path}.extra_volume_m3", text, False, who)


def _lid_words(station: Station, i: int, c: Chamber) -> Iterator[Implausible]:
    """A lid in words, none of which stands for closed, or none for open."""
    channel = station.channels.get(c.lid_channel or "")
    words = {} if channel is None else {w: n for w, n in channel.states.items() if w.strip()}
    if not words or c.lid_channel in lids_of_one_column(station):
        return
    shown = ", ".join(f"{word} = {number:g}" for word, number in words.items())
    for key, number in (("lid_closed", c.lid_closed), ("lid_open", c.lid_open)):
        if number not in words.values():
            text = (
                f"no word in states of the lid's channel stands for {number:g} ({shown})."
                f" Correct {key}, or add the word that the logger writes then"
            )
            yield Implausible(f"chambers[{i}].{key}", text, False, frozenset({c.id}))


def _rules(station: Station, who: frozenset[str]) -> Iterator[Implausible]:
    sd, rules = station.uncertainty, station.closure
    lowest = min(h.height_m for c in station.chambers for h in c.heights)
    if sd.height_m >= 0.5 * lowest:
        text = f"{sd.height_m:g} m is not an error of a height of {lowest:g} m. Use metres."
        yield Implausible("uncertainty.height_m", text, True, who)
    smallest = min(c.area_m2 for c in station.chambers)
    if sd.area_m2 >= 0.5 * smallest:
        text = f"{sd.area_m2:g} m2 is not an error of an area of {smallest:g} m2. Use m2."
        yield Implausible("uncertainty.area_m2", text, True, who)
    if rules.max_duration_s < 120.0:
        text = f"{rules.max_duration_s:g} s is short for a closure. Check whether it is in minutes."
        yield Implausible("closure.max_duration_s", text, False, who)
    season = station.season
    for treatment, kg in (season.nitrogen_kg_ha if season else {}).items():
        if kg > 1500.0:
            text = f"{kg:g} kg N per hectare is unusual. Check whether it is in g."
            yield Implausible(f"season.nitrogen_kg_ha.{treatment}", text, False, who)
    for treatment, t in (season.yield_t_ha if season else {}).items():
        if YIELD.is_odd(t):
            meant = YIELD.likely(t)
            hint = f" {meant[0].upper()}{meant[1:]}." if meant else " Use t/ha."
            text = f"{t:g} t/ha is unusual.{hint}"
            yield Implausible(f"season.yield_t_ha.{treatment}", text, False, who)
