"""Stored fluxes as series of one chamber and gas each, at station time."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from stream import columns
from stream.station import Chamber, Station, read_clock
from stream.store.results.flux_columns import FluxColumns
from stream.store.results.readers import Only, Period, Row
from stream.times import DAY

Floats = NDArray[np.float64]

_CELLS: Final = (*((c.key, "") for c in columns.columns(columns.SERIES)), ("fit_se_nmol_m2_s", ""))
_BESIDE: Final = {"gas", "fit_se_nmol_m2_s", *columns.DRIVERS}


@dataclass(frozen=True, slots=True)
class Calendar:
    """Days at the station, by its standard time: no day has 23 or 25 hours."""

    first: date
    days: int
    offset: timedelta

    @property
    def start_us(self) -> int:
        """When the first day begins [µs since 1970]."""
        local = datetime.combine(self.first, datetime.min.time(), UTC) - self.offset
        return round(local.timestamp() * 1e6)

    @property
    def period(self) -> Period:
        """With a day on either side, so that the first and the last have neighbours."""
        return Period(self.start_us - DAY, self.start_us + (self.days + 1) * DAY)

    def hours(self, at_us: NDArray[np.int64]) -> Floats:
        """Since the first day began [h]."""
        return np.asarray((at_us - self.start_us) / 3600e6)

    def day(self, index: int) -> date:
        """Of an index."""
        return self.first + timedelta(days=index)

    def index(self, day: date) -> int:
        """Of a day, which may lie outside."""
        return (day - self.first).days


def calendar(station: Station, first: date, last: date) -> Calendar:
    """The days from one to another, both included."""
    zone = read_clock(station.station.timezone)
    return Calendar(first, (last - first).days + 1, standard_offset(zone, first.year))


def day_at(station: Station, at_us: int) -> date:
    """The day at the station, by its standard time, that a moment lies in."""
    moment = datetime.fromtimestamp(at_us / 1e6, UTC)
    zone = read_clock(station.station.timezone)
    return (moment + standard_offset(zone, moment.year)).date()


def standard_offset(zone: tzinfo, year: int) -> timedelta:
    """Offset of a zone's standard time: the lesser of those of January and July."""
    offsets = [datetime(year, month, 1, tzinfo=zone).utcoffset() for month in (1, 7)]
    return min(o for o in offsets if o is not None)


@dataclass(frozen=True, slots=True)
class FluxSeries:
    """Usable fluxes of one chamber and gas; arrays of shape (n,).

    Attributes
    ----------
    chamber : Chamber
    gas : str
    t_h : ndarray
        Middle of each closure since the calendar began, increasing [h].
    flux : ndarray
        [nmol m⁻² s⁻¹]
    fit_se, common_se : ndarray
        Parts of the standard error that are each flux's own, and the chamber's.
    temperature_c, moisture, wfps : ndarray
        Of the soil, NaN where unknown.
    left_out : int
        Fluxes whose quality is worse than asked for.
    """

    chamber: Chamber
    gas: str
    t_h: Floats
    flux: Floats
    fit_se: Floats
    common_se: Floats
    temperature_c: Floats
    moisture: Floats
    wfps: Floats
    left_out: int


def is_usable(station: Station, row: Row) -> bool:
    """Whether a row of a flux counts: its flux is known, and its quality good enough."""
    return row["quality"] <= station.field.max_quality and row["flux_nmol_m2_s"] is not None


def flux_cells(
    fluxes: FluxColumns,
    period: Period,
    gases: Sequence[str] = (),
    chambers: Sequence[str] = (),
    *,
    points: bool = False,
) -> dict[str, pa.Table]:
    """Chamber → what series and charts are made of, in order of time and gas.

    Columns are those of :data:`stream.columns.SERIES` by their names in the database, and
    ``fit_se_nmol_m2_s``; of some gases and chambers, or of all. With ``points`` those alone that
    a point in a chart of one gas has.
    """
    names = [c for c in _CELLS if not points or c[0] not in _BESIDE]
    tables = fluxes.read(period, Only(tuple(chambers), tuple(gases)), names)
    return {table["chamber"][0].as_py(): table for table in tables if table.num_rows}


def read_series(
    station: Station, fluxes: FluxColumns, days: Calendar, gas: str | None = None
) -> list[FluxSeries]:
    """Series of every automatic chamber and gas, or of one gas, in the order of the station file.

    Chambers that are sampled by hand are left out: they are compared, not mixed in.
    """
    by_hand = {c.id for c in station.chambers if station.analyzer(c.analyzer).sampling == "vials"}
    cells = flux_cells(fluxes, days.period, () if gas is None else (gas,))
    found = []
    for chamber in station.chambers:
        if chamber.id in by_hand:
            continue
        for name in station.analyzer(chamber.analyzer).gases:
            if gas in {None, name}:
                mine = cells.get(chamber.id)
                found.append(_series(station, chamber, name, mine, days))
    return found


def _series(
    station: Station, chamber: Chamber, gas: str, cells: pa.Table | None, days: Calendar
) -> FluxSeries:
    if cells is None:
        none = np.empty(0)
        return FluxSeries(chamber, gas, none, none, none, none, none, none, none, left_out=0)
    mine = cells.filter(pc.equal(cells["gas"], gas))
    quality, flux = _numbers(mine, "quality"), _numbers(mine, "flux_nmol_m2_s")
    good = np.flatnonzero((quality <= station.field.max_quality) & ~np.isnan(flux))
    mid = mine["mid_us"].cast(pa.int64()).to_numpy()
    kept = good[np.argsort(mid[good], kind="stable")]
    kept = kept[np.diff(mid[kept], prepend=-(2**62)) > 0]
    total, fit = _numbers(mine, "flux_se_nmol_m2_s")[kept], _numbers(mine, "fit_se_nmol_m2_s")[kept]
    return FluxSeries(
        chamber=chamber,
        gas=gas,
        t_h=days.hours(mid[kept]),
        flux=flux[kept],
        fit_se=np.nan_to_num(fit),
        common_se=np.sqrt(np.maximum(0.0, np.nan_to_num(total) ** 2 - np.nan_to_num(fit) ** 2)),
        temperature_c=_numbers(mine, "soil_temperature_c")[kept],
        moisture=_numbers(mine, "soil_moisture_m3_m3")[kept],
        wfps=_numbers(mine, "wfps")[kept],
        left_out=len(mine) - len(good),
    )


def _numbers(cells: pa.Table, name: str) -> Floats:
    """A column of numbers, NaN where unknown."""
    return np.asarray(cells[name].cast(pa.float64()).to_numpy())


def fractions(station: Station, days: Calendar) -> Mapping[str, Floats]:
    """Position → its share of the area on each day, shape (days,); empty without any."""
    rules = station.field
    table = {name: np.full(days.days, float(share)) for name, share in rules.positions.items()}
    for change in rules.positions_from:
        at = min(max(days.index(change.from_), 0), days.days)
        for name, values in table.items():
            values[at:] = change.positions.get(name, 0.0)
    return table
