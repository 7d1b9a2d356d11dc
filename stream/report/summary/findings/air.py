"""Sensors of the air over days: against one another, the sun, saturation and the elevation."""

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.compute.closures.points import bounds, out_of_range
from stream.report.summary.findings.finding import Evidence, Finding, among
from stream.science.flux.flux import saturation_pressure, standard_pressure
from stream.science.flux.units import CANONICAL, rule_between
from stream.science.quality.air import is_dark, solar_hour
from stream.science.quality.likely import AIR_PRESSURE, AIR_TEMPERATURE, Size
from stream.station import Station
from stream.store.journal.journal import Series
from stream.store.results.readers import Row
from stream.times import DAY

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]

_APART_K: Final = 8.0
"""How far a thermometer may be from those of the other chambers, in the middle of the dark."""
_PRESSURE: Final = (0.93, 1.06)
"""Middle of a day's pressure over that of the standard atmosphere."""
_DRY: Final = 0.12
"""Water vapour over saturation that no day on a field stays under."""
_DRIED: Final = 5e-4
"""Water vapour of air that was dried [mol mol⁻¹]."""
_WARMEST_H: Final = (9.5, 19.5)
"""By the sun; air is warmest some two to four hours after noon [common practice, no source]."""
_SWING_K: Final = 2.0
_REPEATS: Final = 0.95
_FEW: Final = 100
_INSTEAD: Final = {
    "temperature_implausible": "no_temperature",
    "pressure_implausible": "pressure_assumed",
}
"""Flag of a sensor that cannot be right → flag of one whose readings are not used."""
_UNITS: Final[dict[str, tuple[str, Size]]] = {
    "temperature": ("degC", AIR_TEMPERATURE),
    "pressure": ("hPa", AIR_PRESSURE),
}


def of_air(evidence: Evidence) -> Iterator[Finding]:
    """Thermometers, barometers, water vapour and clocks that cannot be right."""
    yield from _gross(evidence, "temperature_implausible", "temperature", "air_temperature_channel")
    yield from _gross(evidence, "pressure_implausible", "pressure", "pressure_channel")
    yield from _water(evidence)
    yield from _pressure(evidence)
    yield from _thermometers(evidence)
    yield from _clock(evidence)
    yield from _repeated(evidence)


def _flagged(evidence: Evidence, flag: str) -> list[Row]:
    return [r for r in evidence.todays if flag in r["flags"].split()]


def _gross(evidence: Evidence, flag: str, quantity: str, key: str) -> Iterator[Finding]:
    """One finding for all chambers on one sensor, with what its readings would be in the likely
    unit.
    """
    follows = _INSTEAD[flag]
    flagged = {r["chamber"] for r in _flagged(evidence, flag)}
    unused = {r["chamber"] for r in _flagged(evidence, follows)}
    by_channel: dict[str, list[str]] = {}
    for chamber in evidence.station.chambers:
        channel = getattr(chamber, key)
        if channel is not None and (
            chamber.id in flagged or (chamber.id in unused and _mostly_outside(evidence, channel))
        ):
            by_channel.setdefault(channel, []).append(chamber.id)
    groups: dict[str, list[str]] = {}
    named: dict[str, list[str]] = {}
    for channel, chambers in by_channel.items():
        said = _reading(evidence, channel, quantity)
        groups.setdefault(said[0], []).extend(chambers)
        named.setdefault(said[0], []).append(said[1])
    for cause, chambers in groups.items():
        what = f"Check the unit of the {quantity} channel, the sensor and its wiring."
        if quantity == "pressure":
            what = (
                "Check the unit of the pressure channel, elevation_m, and whether the sensor"
                " reduces pressure to sea level."
            )
        explains = frozenset((f, c) for f in (flag, follows) for c in chambers)
        why = f"{among(named[cause])}{cause}"
        yield Finding(2, among(chambers), what, why, explains)


def _mostly_outside(evidence: Evidence, channel: str) -> bool:
    """Whether most readings of the day are out of the channel's range, and so not used."""
    values = evidence.series(channel).values
    wrong = out_of_range(evidence.station, channel, values)
    return bool(np.count_nonzero(wrong) > len(values) / 2)


def _reading(evidence: Evidence, channel: str, quantity: str) -> tuple[str, str]:
    """(likely unit, what it reads) of a channel on the day."""
    unit = evidence.station.channels[channel].unit
    values = evidence.series(channel).values
    if not len(values):
        return "", f"{channel} has no record"
    wanted, size = _UNITS[quantity]
    scale, shift = rule_between(unit, wanted)
    middle = float(np.median(values))
    said = f"{channel} reads {middle:.4g} {unit} in the middle"
    if size.is_odd(middle * scale + shift):
        # As it was written, were it in another unit than the station file says.
        for other in (wanted, *(name for name, _, _ in size.others)):
            meant = _in(size, other, middle)
            if other != unit and meant is not None and not size.is_odd(meant):
                return f"; if it is in {other}, that is {meant:.4g} {wanted}", said
    return "", said


def _in(size: Size, unit: str, value: float) -> float | None:
    """A number read as one of another unit, in the unit of the size."""
    if unit == size.unit:
        return value
    return next((value * f + shift for name, f, shift in size.others if name == unit), None)


def _water(evidence: Evidence) -> Iterator[Finding]:
    """More water than air can hold, or next to none."""
    for a in evidence.station.analyzers:
        if a.water_channel is None:
            continue
        rows = [r for r in evidence.todays if r["analyzer"] == a.id]
        over = [r for r in rows if "water_implausible" in r["flags"].split()]
        unused = [r for r in rows if "no_water" in r["flags"].split()]
        known = [
            r["water_mol_mol"]
            / float(saturation_pressure(r["air_temperature_c"]) / r["pressure_pa"])
            for r in rows
            if r["water_mol_mol"] is not None
            and r["air_temperature_c"] is not None
            and "temperature_implausible" not in r["flags"].split()
            and -45.0 < r["air_temperature_c"] < 60.0
        ]
        unit = evidence.station.channels[a.water_channel].unit
        middle = evidence.middle(a.water_channel)
        said = f"{a.water_channel} reads {middle:.4g} {unit} in the middle"
        what = "Check unit and column of the water channel."
        if unused and _mostly_outside(evidence, a.water_channel):
            low, high = bounds(evidence.station, a.water_channel)
            explains = frozenset(("no_water", r["chamber"]) for r in unused)
            why = f"{said}, outside its range of {low:g} to {high:g}, so that no reading is used"
            yield Finding(2, a.id, what, why, explains)
            continue
        if over:
            explains = frozenset(("water_implausible", r["chamber"]) for r in over)
            why = f"{said}, above what air of that temperature can hold"
            yield Finding(2, a.id, what, why, explains)
            continue
        vapour = [r["water_mol_mol"] for r in rows if r["water_mol_mol"] is not None]
        if len(known) < 8 or a.basis != "wet" or float(np.median(vapour)) < _DRIED:
            continue
        if float(np.median(known)) < _DRY:
            why = f"{said}, {100 * float(np.median(known)):.1f} % of saturation"
            yield Finding(3, a.id, what, why)


def _pressure(evidence: Evidence) -> Iterator[Finding]:
    """A barometer that is off by less than one closure shows."""
    site = evidence.station.station
    if "elevation_m" not in site.model_fields_set:
        return
    usual = standard_pressure(site.elevation_m)
    for channel in dict.fromkeys(c.pressure_channel for c in evidence.station.chambers):
        if channel is None:
            continue
        mine = {c.id for c in evidence.station.chambers if c.pressure_channel == channel}
        if any(r["chamber"] in mine for r in _flagged(evidence, "pressure_implausible")):
            continue
        if _mostly_outside(evidence, channel):
            continue
        values = evidence.series(channel).values
        if not len(values):
            continue
        scale, shift = rule_between(evidence.station.channels[channel].unit, "Pa")
        share = (float(np.median(values)) * scale + shift) / usual
        if not _PRESSURE[0] <= share <= _PRESSURE[1] and share > 0.5:
            side = "above" if share > 1 else "below"
            why = (
                f"{abs(100 * (share - 1)):.0f} % {side} the standard atmosphere at"
                f" {site.elevation_m:g} m"
            )
            what = "Check elevation_m, and whether the sensor reduces pressure to sea level."
            yield Finding(3, channel, what, why)


def _place(station: Station) -> tuple[float, float] | None:
    site = station.station
    if site.latitude is None or site.longitude is None:
        return None
    return site.latitude, site.longitude


def _thermometers(evidence: Evidence) -> Iterator[Finding]:
    """Thermometers of chambers against one another, in the dark."""
    place = _place(evidence.station)
    channels = list(
        dict.fromkeys(
            c.air_temperature_channel
            for c in evidence.station.chambers
            if c.air_temperature_channel
        )
    )
    if place is None or len(channels) < 3:
        return
    records = evidence.journal.read(channels, evidence.day.first_us, evidence.day.stop_us - 1)
    middles = {}
    for channel in channels:
        series = records[channel].filled()
        values = series.values[is_dark(series.times, *place)]
        if len(values) >= 12:
            scale, shift = rule_between(
                evidence.station.channels[channel].unit, CANONICAL["temperature"]
            )
            middles[channel] = float(np.median(values)) * scale + shift
    if len(middles) < 3:
        return
    usual = float(np.median(list(middles.values())))
    flagged = {r["chamber"] for r in _flagged(evidence, "temperature_implausible")}
    for channel, value in middles.items():
        mine = {c.id for c in evidence.station.chambers if c.air_temperature_channel == channel}
        if abs(value - usual) > _APART_K and not mine & flagged:
            why = f"{value - usual:+.1f} K compared with the other chambers, at night"
            yield Finding(3, channel, "Check the sensor, its place and its wiring.", why)


def _clock(evidence: Evidence) -> Iterator[Finding]:
    """When the day is warmest, by the sun."""
    place = _place(evidence.station)
    channels = [
        c.air_temperature_channel for c in evidence.station.chambers if c.air_temperature_channel
    ]
    if place is None or not channels:
        return
    series = evidence.series(channels[0], days=5)
    found = [
        angle
        for first in range(evidence.day.stop_us - 5 * DAY, evidence.day.stop_us, DAY)
        if (angle := warmest(series, first, place[1], evidence.station.channels[channels[0]].unit))
        is not None
    ]
    if len(found) < 3:
        return
    mean = np.mean(np.exp(1j * np.array(found)))
    if abs(mean) < 0.8:
        return
    hour = float(np.angle(mean) * 12.0 / np.pi % 24.0)
    if _WARMEST_H[0] <= hour <= _WARMEST_H[1]:
        return
    off = (hour - 14.5 + 12.0) % 24.0 - 12.0
    why = (
        f"the last days were warmest at {_clock_time(hour)} solar time, about {abs(off):.0f} h"
        f" {'late' if off > 0 else 'early'}"
    )
    what = "Check the logger's clock, station.clock and the sign of the longitude."
    yield Finding(2, channels[0], what, why)


def _clock_time(hour: float) -> str:
    minutes = round(hour * 60.0) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def warmest(series: Series, first_us: int, longitude: float, unit: str) -> float | None:
    """Angle of the day at which a day's temperature is highest by its first harmonic [rad]; None
    where it hardly changes or hours are missing.
    """
    a, b = np.searchsorted(series.times, (first_us, first_us + DAY))
    times, values = series.times[a:b], series.values[a:b]
    if len(values) < 24:
        return None
    hour = solar_hour(times, longitude)
    bins = np.floor(hour).astype(np.int64)
    count = np.bincount(bins, minlength=24)
    if (count == 0).sum() > 2:
        return None
    scale = rule_between(unit, "K")[0]
    sums = np.bincount(bins, values * scale, minlength=24)
    known = count > 0
    middle = np.arange(24)[known] + 0.5
    level = sums[known] / count[known]
    wave = 2.0 * np.mean((level - level.mean()) * np.exp(1j * np.pi / 12.0 * middle))
    return float(np.angle(wave)) if abs(wave) >= _SWING_K else None


def _repeated(evidence: Evidence) -> Iterator[Finding]:
    """A day whose readings are those of the day before."""
    for a in evidence.station.analyzers:
        if a.sampling != "continuous":
            continue
        gas, channel = next(iter(a.gases.items()))
        series = evidence.series(channel, days=2)
        cut = int(np.searchsorted(series.times, evidence.day.first_us))
        then, now = series.times[:cut], series.times[cut:] - DAY
        shared, i, j = np.intersect1d(then, now, assume_unique=True, return_indices=True)
        if len(shared) < _FEW:
            continue
        before, after = series.values[:cut][i], series.values[cut:][j]
        moving = np.append(True, before[1:] != before[:-1])
        if moving.sum() < _FEW:
            continue
        share = float(np.mean(before[moving] == after[moving]))
        if share < _REPEATS:
            continue
        what = (
            "Find out why the logger sent a day twice, and exclude the wrong one:"
            " lidstream note --kind bad"
        )
        why = f"{100 * share:.0f} % of the {gas} readings are identical to those of the day before"
        yield Finding(1, a.id, what, why)
