"""What the air under a lid, and its start, cannot be: held against physics, closure by closure."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.compute.closures.headspace import HeadspaceConditions
from stream.compute.closures.points import LEVEL, Points
from stream.compute.closures.samples import FIRST, to_canonical
from stream.science.flux.flux import standard_pressure
from stream.science.quality.air import (
    AIR_C,
    AIR_PA,
    OVER_SOIL_K,
    SOIL_K,
    Place,
    Start,
    air_bounds_c,
    is_dark,
    most_water,
    pressure_bounds_pa,
)
from stream.station import Analyzer, Station
from stream.store.results.changes import Row

_FROZEN_K: Final = 274.15
_FULL: Final = 0.9
"""Water-filled pore space."""


def place_of(station: Station) -> Place:
    """Where the station is, as far as its file says."""
    site = station.station
    told = "elevation_m" in site.model_fields_set
    return Place(site.latitude, site.longitude, site.elevation_m if told else None)


def judged(
    station: Station, around: Sequence[HeadspaceConditions], closed_us: Sequence[int]
) -> list[HeadspaceConditions]:
    """Surroundings with what they cannot be flagged, and out of use where it is impossible.

    Parameters
    ----------
    station : Station
    around : sequence of HeadspaceConditions
    closed_us : sequence of int
        When each lid closed [µs].
    """
    if not around:
        return []
    place = place_of(station)
    low_c, high_c = air_bounds_c(np.array(closed_us, dtype=np.int64), place)
    low_pa, high_pa = pressure_bounds_pa(place.elevation_m)
    found = []
    for near, cold, hot in zip(around, low_c.tolist(), high_c.tolist(), strict=True):
        flags = set(near.flags)
        warm, pressure, assumed = near.air_temperature_k, near.pressure_pa, near.assumed_pressure
        over = warm - near.soil_temperature_k
        if not SOIL_K[0] <= near.soil_temperature_k <= SOIL_K[1]:
            over = 0.0  # a broken soil sensor tells nothing of the air
        outside = warm == warm and not cold <= near.air_temperature_c <= hot
        if outside or over < OVER_SOIL_K[0] or over > OVER_SOIL_K[1]:
            flags.add("temperature_implausible")
            if not AIR_C[0] <= near.air_temperature_c <= AIR_C[1]:
                flags.add("no_temperature")
                warm = float("nan")
        if not assumed and not low_pa <= pressure <= high_pa:
            flags.add("pressure_implausible")
            if not AIR_PA[0] <= pressure <= AIR_PA[1]:
                flags.add("pressure_assumed")
                pressure, assumed = standard_pressure(station.station.elevation_m), True
        if flags == near.flags:
            found.append(near)
            continue
        found.append(
            replace(
                near,
                air_temperature_k=warm,
                pressure_pa=pressure,
                assumed_pressure=assumed,
                flags=frozenset(flags),
            )
        )
    return found


def water_judged(
    analyzer: Analyzer, around: Sequence[HeadspaceConditions], water: NDArray[np.float64]
) -> list[HeadspaceConditions]:
    """Surroundings with more water than they can hold flagged, where it makes gases dry.

    Parameters
    ----------
    analyzer : Analyzer
    around : sequence of HeadspaceConditions
    water : ndarray, shape (m,)
        Mean of each window [mol mol⁻¹], NaN where unknown.
    """
    if analyzer.basis != "wet":
        return list(around)
    warm = np.array([s.air_temperature_k for s in around])
    most = most_water(warm, np.array([s.pressure_pa for s in around]))
    with np.errstate(invalid="ignore"):
        over = (water > most).tolist()
    return [
        replace(near, flags=near.flags | {"water_implausible"})
        if wet and "temperature_implausible" not in near.flags
        else near
        for near, wet in zip(around, over, strict=True)
    ]


def darkness(station: Station, closed_us: Sequence[int]) -> list[bool]:
    """Whether it was dark as each lid closed; False where the place is not known."""
    site = station.station
    if site.latitude is None or site.longitude is None:
        return [False] * len(closed_us)
    times = np.array(closed_us, dtype=np.int64)
    return [bool(x) for x in is_dark(times, site.latitude, site.longitude)]


def soil_is_still(near: HeadspaceConditions) -> bool:
    """Whether the soil is frozen or full of water, so that it need not breathe."""
    return near.soil_temperature_k < _FROZEN_K or near.wfps > _FULL


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
