"""The air under each lid: height, temperature, pressure, and what had to be assumed."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from stream.pipeline.samples import out_of_range, to_canonical
from stream.records import SECOND
from stream.science.atmosphere import standard_pressure
from stream.science.constants import ZERO_CELSIUS_K
from stream.science.flux import Headspace, dry_air_per_area, relative_geometry_se
from stream.science.soil import water_filled_pore_space
from stream.science.soil_storage import (
    DIFFUSIVITY_M2_S,
    air_filled,
    soil_diffusivity,
    storage,
    time_constant_s,
)
from stream.science.window import Window, mean_over, step_at
from stream.station import Chamber, Station
from stream.store.journal import Series

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Of one closure; NaN where unknown."""

    height_m: float
    air_temperature_k: float
    pressure_pa: float
    assumed_pressure: bool
    soil_temperature_k: float
    soil_moisture: float
    wfps: float
    flags: frozenset[str]

    @property
    def air_temperature_c(self) -> float:
        """Headspace temperature [°C]."""
        return self.air_temperature_k - ZERO_CELSIUS_K


_UNKNOWN = float("nan")
NOWHERE = Surroundings(
    height_m=_UNKNOWN,
    air_temperature_k=_UNKNOWN,
    pressure_pa=_UNKNOWN,
    assumed_pressure=False,
    soil_temperature_k=_UNKNOWN,
    soil_moisture=_UNKNOWN,
    wfps=_UNKNOWN,
    flags=frozenset(),
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


def surroundings(
    station: Station,
    chamber: Chamber,
    sensors: Sensors,
    closed_us: int,
    window: Window,
) -> Surroundings:
    """Read the sensors over the closed time up to the end of the window."""
    flags: set[str] = set()
    whole = Window(closed_us, window.stop_us)

    def over(channel: str | None) -> tuple[float, bool]:
        if channel is None:
            return float("nan"), False
        series = sensors.clean(channel)
        hold = round(station.closure.hold_s * SECOND)
        mean, held = mean_over(series.times, series.values, whole, hold)
        scale, shift = to_canonical(station, channel)
        return mean * scale + shift, held

    temperature, held = over(chamber.air_temperature_channel)
    if np.isnan(temperature):
        flags.add("no_temperature")
    elif held:
        flags.add("temperature_held")
    if chamber.pressure_channel is not None:
        series = sensors.there(chamber.pressure_channel)
        scale, _ = to_canonical(station, chamber.pressure_channel)
        step, error = step_at(series.times, series.values, closed_us, 60 * SECOND, 30 * SECOND)
        if abs(step) * scale > station.closure.pressure_step_pa and abs(step) > 4.0 * error:
            flags.add("pressure_step")
    pressure, _ = over(chamber.pressure_channel)
    assumed = bool(np.isnan(pressure))
    if assumed:
        flags.add("pressure_assumed")
        pressure = standard_pressure(station.station.elevation_m)
    soil_temperature, _ = over(chamber.soil_temperature_channel)
    moisture, _ = over(chamber.soil_moisture_channel)
    wfps = float("nan")
    if chamber.bulk_density_g_cm3 is not None:
        wfps = float(water_filled_pore_space(moisture, chamber.bulk_density_g_cm3))
    height = chamber.height_at(_EPOCH + timedelta(microseconds=closed_us))
    if height is None:
        flags.add("no_height")
    return Surroundings(
        height_m=float("nan") if height is None else height,
        air_temperature_k=temperature,
        pressure_pa=pressure,
        assumed_pressure=assumed,
        soil_temperature_k=soil_temperature,
        soil_moisture=moisture,
        wfps=wfps,
        flags=frozenset(flags),
    )


def headspace_of(
    station: Station,
    chambers: list[Chamber],
    around: list[Surroundings],
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
    gas: str, chambers: list[Chamber], around: list[Surroundings]
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
