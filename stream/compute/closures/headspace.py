"""The air under each lid: height, temperature, pressure, and what had to be assumed."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.compute.closures.points import out_of_range, to_canonical
from stream.science.closures.window import Window, means_over, steps_at
from stream.science.flux.constants import ZERO_CELSIUS_K
from stream.science.flux.flux import (
    Headspace,
    dry_air_per_area,
    relative_geometry_se,
    standard_pressure,
    water_filled_pore_space,
)
from stream.science.flux.soil_storage import (
    DIFFUSIVITY_M2_S,
    air_filled,
    soil_diffusivity,
    storage,
    time_constant_s,
)
from stream.science.quality.air import (
    AIR_C,
    AIR_PA,
    OVER_SOIL_K,
    SOIL_K,
    Place,
    air_bounds_c,
    most_water,
    pressure_bounds_pa,
)
from stream.science.quality.flags import BIT
from stream.station import Analyzer, Chamber, Station
from stream.store.journal.journal import Series
from stream.times import SECOND, to_micros

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]

_AROUND_EDGE_US: Final = (60 * SECOND, 30 * SECOND)
"""How long before and after a lid closes pressure is looked at."""


@dataclass(frozen=True, slots=True)
class HeadspaceConditions:
    """Of one closure; NaN where unknown; flags as bits."""

    height_m: float
    air_temperature_k: float
    pressure_pa: float
    assumed_pressure: bool
    soil_temperature_k: float
    soil_moisture: float
    wfps: float
    flags: int

    @property
    def air_temperature_c(self) -> float:
        """Headspace temperature [°C]."""
        return self.air_temperature_k - ZERO_CELSIUS_K


_UNKNOWN = float("nan")
NOWHERE = HeadspaceConditions(
    height_m=_UNKNOWN,
    air_temperature_k=_UNKNOWN,
    pressure_pa=_UNKNOWN,
    assumed_pressure=False,
    soil_temperature_k=_UNKNOWN,
    soil_moisture=_UNKNOWN,
    wfps=_UNKNOWN,
    flags=0,
)
"""Nothing is known."""


def sensor_channels(chamber: Chamber) -> set[str]:
    """The channels of the chamber's own sensors, the lid's left out."""
    optional = (
        chamber.air_temperature_channel,
        chamber.pressure_channel,
        chamber.soil_temperature_channel,
        chamber.soil_moisture_channel,
    )
    return {c for c in optional if c}


class Sensors:
    """Records of slow sensors, each looked through once for all closures of a day."""

    def __init__(self, station: Station, records: dict[str, Series]) -> None:
        self._station = station
        self._records = records
        self._there: dict[str, Series] = {}
        self._clean: dict[str, Series] = {}

    def there(self, channel: str) -> Series:
        """Every record of a channel."""
        if channel not in self._there:
            self._there[channel] = self._records[channel].filled()
        return self._there[channel]

    def clean(self, channel: str) -> Series:
        """The records of a channel that lie in its range."""
        if channel not in self._clean:
            series = self.there(channel)
            good = ~out_of_range(self._station, channel, series.values)
            if not good.all():
                series = Series(series.times[good], series.values[good])
            self._clean[channel] = series
        return self._clean[channel]

    def means(
        self, channels: Sequence[str | None], starts: Micros, stops: Micros
    ) -> tuple[Floats, NDArray[np.bool_]]:
        """Mean of one channel over each window, in its quantity's canonical unit, and whether
        it is the last value before that holds; NaN where there is neither, or no channel.
        """
        means = np.full(len(channels), np.nan)
        held = np.zeros(len(channels), dtype=bool)
        hold = round(self._station.closure.hold_s * SECOND)
        for channel, at in _places(channels).items():
            series = self.clean(channel)
            scale, shift = to_canonical(self._station, channel)
            mean, old = means_over(series.times, series.values, starts[at], stops[at], hold)
            means[at], held[at] = mean * scale + shift, old
        return means, held

    def jumps(self, channels: Sequence[str | None], edges: Micros) -> NDArray[np.bool_]:
        """Whether air pressure jumps as each lid closes."""
        found = np.zeros(len(channels), dtype=bool)
        least = self._station.closure.pressure_step_pa
        for channel, at in _places(channels).items():
            series = self.there(channel)
            scale, _ = to_canonical(self._station, channel)
            step, error = steps_at(series.times, series.values, edges[at], *_AROUND_EDGE_US)
            found[at] = (np.abs(step) * scale > least) & (np.abs(step) > 4.0 * error)
        return found


def _places(channels: Sequence[str | None]) -> dict[str, NDArray[np.int64]]:
    """Channel → where it stands."""
    found: dict[str, list[int]] = {}
    for i, channel in enumerate(channels):
        if channel is not None:
            found.setdefault(channel, []).append(i)
    return {channel: np.array(at) for channel, at in found.items()}


def surroundings(
    station: Station, sensors: Sensors, closures: Sequence[tuple[Chamber, Window]]
) -> list[HeadspaceConditions]:
    """Read the sensors of closures over the closed time up to the end of the window."""
    chambers = [chamber for chamber, _ in closures]
    closed = np.array([w.start_us for _, w in closures], dtype=np.int64)
    stops = np.array([w.stop_us for _, w in closures], dtype=np.int64)
    warm, held = sensors.means([c.air_temperature_channel for c in chambers], closed, stops)
    pressure, _ = sensors.means([c.pressure_channel for c in chambers], closed, stops)
    jumped = sensors.jumps([c.pressure_channel for c in chambers], closed)
    soil, _ = sensors.means([c.soil_temperature_channel for c in chambers], closed, stops)
    moisture, _ = sensors.means([c.soil_moisture_channel for c in chambers], closed, stops)
    unknown = float("nan")
    density = np.array([c.bulk_density_g_cm3 or unknown for c in chambers])
    filled = water_filled_pore_space(moisture, density)
    assumed = np.isnan(pressure)
    pressure = np.where(assumed, standard_pressure(station.station.elevation_m), pressure)
    columns = (closed, warm, held, pressure, assumed, jumped, soil, moisture, filled)
    found = []
    heights = {
        c.id: [(to_micros(h.from_), h.height_m) for h in c.heights]
        for c in {c.id: c for c in chambers}.values()
    }
    for chamber, (at, t, old, p, guessed, jump, ts, vwc, wfps) in zip(
        chambers, zip(*(c.tolist() for c in columns), strict=True), strict=True
    ):
        flags = 0
        if t != t:
            flags |= BIT["no_temperature"]
        elif old:
            flags |= BIT["temperature_held"]
        if guessed:
            flags |= BIT["pressure_assumed"]
        if jump:
            flags |= BIT["pressure_step"]
        in_force = [height for from_us, height in heights[chamber.id] if from_us <= at]
        if not in_force:
            flags |= BIT["no_height"]
        height = in_force[-1] if in_force else unknown
        found.append(HeadspaceConditions(height, t, p, guessed, ts, vwc, wfps, flags))
    return found


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
        flags = near.flags
        warm, pressure, assumed = near.air_temperature_k, near.pressure_pa, near.assumed_pressure
        over = warm - near.soil_temperature_k
        if not SOIL_K[0] <= near.soil_temperature_k <= SOIL_K[1]:
            over = 0.0  # a broken soil sensor tells nothing of the air
        outside = warm == warm and not cold <= near.air_temperature_c <= hot
        if outside or over < OVER_SOIL_K[0] or over > OVER_SOIL_K[1]:
            flags |= BIT["temperature_implausible"]
            if not AIR_C[0] <= near.air_temperature_c <= AIR_C[1]:
                flags |= BIT["no_temperature"]
                warm = float("nan")
        if not assumed and not low_pa <= pressure <= high_pa:
            flags |= BIT["pressure_implausible"]
            if not AIR_PA[0] <= pressure <= AIR_PA[1]:
                flags |= BIT["pressure_assumed"]
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
                flags=flags,
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
        replace(near, flags=near.flags | BIT["water_implausible"])
        if wet and not near.flags & BIT["temperature_implausible"]
        else near
        for near, wet in zip(around, over, strict=True)
    ]


def headspace_of(
    station: Station,
    chambers: list[Chamber],
    around: list[HeadspaceConditions],
    water: NDArray[np.float64],
) -> Headspace:
    """The closed air of m closures, with the standard deviations of the station file.

    Water vapour that is not known counts as none.
    """
    sd = station.uncertainty

    def each(value: float) -> NDArray[np.float64]:
        return np.full(len(chambers), value)

    return Headspace(
        height_m=np.array([s.height_m for s in around]),
        area_m2=np.array([c.area_m2 for c in chambers]),
        extra_volume_m3=np.array([c.extra_volume_m3 for c in chambers]),
        pressure_pa=np.array([s.pressure_pa for s in around]),
        temperature_k=np.array([s.air_temperature_k for s in around]),
        water=np.nan_to_num(water, nan=0.0),
        height_se=each(sd.height_m),
        area_se=each(sd.area_m2),
        extra_volume_se=each(sd.extra_volume_m3),
        pressure_se=np.array(
            [sd.assumed_pressure_pa if s.assumed_pressure else sd.pressure_pa for s in around]
        ),
        temperature_se=each(sd.temperature_k),
    )


def time_constants(
    gas: str, chambers: list[Chamber], around: list[HeadspaceConditions]
) -> NDArray[np.float64]:
    """Time constant of the soil's storage under each lid [s], NaN where the soil's
    temperature, water or bulk density is not known, or the gas's diffusivity.
    """
    unknown = float("nan")
    density = np.array([c.bulk_density_g_cm3 or unknown for c in chambers])
    moisture = np.array([s.soil_moisture for s in around])
    if gas not in DIFFUSIVITY_M2_S:
        return np.full(len(chambers), unknown)
    free, porosity = air_filled(moisture, density)
    warm = np.array([s.soil_temperature_k for s in around])
    pressure = np.array([s.pressure_pa for s in around])
    spread = soil_diffusivity(gas, free, porosity, warm, pressure)
    height = np.array(
        [s.height_m + c.extra_volume_m3 / c.area_m2 for s, c in zip(around, chambers, strict=True)]
    )
    return time_constant_s(height, storage(gas, free, moisture, warm), spread)


def moles_and_error(
    air: Headspace,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Moles of dry air over a square metre [mol m⁻²] and the relative error of that."""
    moles = dry_air_per_area(
        air.volume_m3, air.area_m2, air.pressure_pa, air.temperature_k, air.water
    )
    return moles, relative_geometry_se(air)
