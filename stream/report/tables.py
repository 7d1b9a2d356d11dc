"""Tables for export: which columns, in which order, in which unit. Others rely on the names."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, tzinfo
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from stream import columns
from stream.errors import SelectionError
from stream.report.table import TYPES, Selection, Table, from_rows, schema_of, table_of
from stream.science.flux.units import FluxUnit, flux_unit
from stream.station import Station, gases_of, read_clock
from stream.store.journal.journal import Journal
from stream.store.results.flux_columns import FluxColumns
from stream.store.results.readers import Only, Period, Reader
from stream.store.station_data import StationData
from stream.times import DAY

_TOGETHER: Final = 100_000
"""Rows in one batch."""


def table_by_name(
    data: StationData,
    what: str,
    selection: Selection,
    first: int | None,
    stop: int | None,
) -> Table:
    """One of the tables that are exported.

    Parameters
    ----------
    data : StationData
    what : str
        ``fluxes``, ``closures``, ``records``, ``refused``, ``hourly``, ``daily``, ``field`` or
        ``season``.
    selection : Selection
    first, stop : int or None
        Of tables of days: the period, the end excluded [µs]; None for that of the season.

    Raises
    ------
    CommandError
        There is no season, and no period is given; or a gas or chamber is unknown.
    """
    station, reader, journal = data.file.station, data.reader, data.journal
    if what == "fluxes":
        return fluxes(station, data.flux_columns, selection)
    if what == "closures":
        return closures(station, reader, selection)
    if what == "records":
        return records(station, journal, selection)
    if what == "refused":
        return refused(station, reader)
    # What days and seasons are made with takes seconds to load.
    from stream.field.season import season_calendar
    from stream.report import field_tables

    zone = read_clock(station.station.timezone)
    days = season_calendar(station, _day(first, zone), _day(stop, zone, end=True))
    if what == "hourly":
        return field_tables.hourly(station, data.flux_columns, selection, days)
    if what == "field":
        return field_tables.field(station, data.flux_columns, selection, days)
    make = field_tables.daily if what == "daily" else field_tables.season
    return make(station, data.flux_columns, journal, selection, days)


def _day(moment: int | None, zone: tzinfo, *, end: bool = False) -> date | None:
    """The day at the station that a period begins or ends with."""
    if moment is None:
        return None
    return datetime.fromtimestamp((moment - end) / 1e6, UTC).astimezone(zone).date()


def fluxes(station: Station, reader: FluxColumns, selection: Selection) -> Table:
    """One row a closure and gas.

    The columns up to the last candidate's standard error are fixed; further ones
    follow them.

    Raises
    ------
    CommandError
        The unit is not one, or does not apply to a selected gas.
    """
    gases = selected_gases(station, selection)
    _factors(gases, selection.unit)
    found = columns.fluxes(station.models.candidates)
    schema = schema_of(found)
    only = Only(selection.chambers, gases, selection.qualities)
    keys = [(c.key, c.model) for c in found]

    def batches() -> Iterator[pa.RecordBatch]:
        for part in reader.read(selection.period, only, keys):
            cells = [c.cast(f.type) for c, f in zip(part.columns, schema, strict=True)]
            yield from (
                pa.Table.from_arrays(cells, schema=schema).combine_chunks().to_batches(_TOGETHER)
            )

    return in_unit(Table(found, batches()), selection.unit)


def closures(station: Station, reader: Reader, selection: Selection) -> Table:
    """One row a closure, and one for each that was due and did not happen."""
    found = columns.columns(columns.CLOSURES)

    def each() -> Iterator[Mapping[str, Any]]:
        for r in reader.closures(selection.period, selection.only):
            yield {**r, "kind": "closure"}
        for r in _missed(station, reader, selection):
            yield {**r, "kind": "gap", "closed_us": r["due_us"]}

    def rows() -> Iterator[tuple[Any, ...]]:
        # Two ordered streams of one station: few enough rows to be sorted in memory.
        for r in sorted(each(), key=lambda r: (r["chamber"], r["closed_us"])):
            yield tuple(r.get(c.key) for c in found)

    return from_rows(found, rows())


def finished(station: Station, reader: Reader, selection: Selection) -> Table:
    """One row a closure, without those that did not happen."""
    del station
    rows = ({**r, "kind": "closure"} for r in reader.closures(selection.period, selection.only))
    return table_of(columns.CLOSURES, rows)


def gaps(station: Station, reader: Reader, selection: Selection) -> Table:
    """One row a closure that was due and did not happen; its flag names the cause."""
    rows = ({**r, "closed_us": r["due_us"]} for r in _missed(station, reader, selection))
    return table_of(columns.GAPS, rows)


def _missed(station: Station, reader: Reader, selection: Selection) -> Iterator[dict[str, Any]]:
    """Gaps with where their chambers stand."""
    places = {c.id: c for c in station.chambers}
    for r in reader.gaps(selection.period, selection.only):
        place = places.get(r["chamber"])
        known = {c: getattr(place, c) for c in ("analyzer", *columns.PLACE)} if place else {}
        yield {**r, **known}


def refused(station: Station, reader: Reader) -> Table:
    """One row a line that could not be taken, wholly or in part."""
    return table_of(columns.REFUSED, ({**r, "station": station.id} for r in reader.quarantine()))


def records(
    station: Station, journal: Journal, selection: Selection, channels: Sequence[str] = ()
) -> Table:
    """One row a time, one column a channel, as recorded; a day is read at a time."""
    names = tuple(channels) or tuple(station.channels)
    kept = (columns.channel(name, station.channels[name].unit) for name in names)
    found = (*columns.columns(("station", "time")), *kept)
    schema = schema_of(found)

    def batches() -> Iterator[pa.RecordBatch]:
        for times, values in _record_days(names, journal, selection.period):
            where = pa.repeat(station.id, len(times))
            cells = [pa.array(column, from_pandas=True) for column in values]
            moments = pa.array(times).cast(TYPES["datetime"])
            yield pa.record_batch([where, moments, *cells], schema=schema)

    return Table(found, batches())


def _record_days(
    channels: Sequence[str], journal: Journal, period: Period
) -> Iterator[tuple[NDArray[np.int64], list[NDArray[np.float64]]]]:
    """Records of some channels, a day at a time: times [µs], and a column a channel, NaN where
    it has no record; only times at which one of them has.
    """
    extent = journal.extent()
    known = [extent[c] for c in channels if c in extent]
    if not known:
        return
    at = max(period.first_us, min(e[0] for e in known))
    last = min(period.stop_us - 1, max(e[1] for e in known))
    while at <= last:
        end = min(last, at - at % DAY + DAY - 1)
        found = journal.read(channels, at, end)
        series = [found[c].filled() for c in channels]
        times = np.unique(np.concatenate([s.times for s in series]))
        values = []
        for s in series:
            values.append(np.full(len(times), np.nan))
            values[-1][np.searchsorted(times, s.times)] = s.values
        if len(times):
            yield times, values
        at = end + 1


def selected_gases(station: Station, selection: Selection) -> tuple[str, ...]:
    """The gases that are asked for, or all.

    Raises
    ------
    CommandError
        A gas or chamber is unknown.
    """
    known = gases_of(station)
    for gas in selection.gases:
        if gas not in known:
            raise SelectionError("gas", f" {gas}: the station measures {', '.join(known)}")
    for chamber in selection.chambers:
        ids = [c.id for c in station.chambers]
        if chamber not in ids:
            raise SelectionError("chamber", f" {chamber}: the station has {', '.join(ids)}")
    return selection.gases or known


def _factors(
    gases: Sequence[str], text: str | None
) -> tuple[FluxUnit | None, dict[str, float | None]]:
    """Factor of each gas, None where the number is to stay as it is stored."""
    if text is None:
        return None, dict.fromkeys(gases)
    try:
        unit = flux_unit(text)
    except ValueError as error:
        raise SelectionError("unit", f": {error}") from None
    factors: dict[str, float | None] = {}
    unfit = []
    for gas in gases:
        try:
            factors[gas] = unit.per_nmol(gas)
        except ValueError:
            unfit.append(gas)
    if unfit:
        fit = " ".join(f"--gas {gas}" for gas in factors)
        raise SelectionError(
            "unit",
            f": {text!r} does not apply to {', '.join(unfit)}; ",
            f"add {fit}" if fit else "choose another unit",
            f"choose gas={tuple(factors)}" if fit else "choose another unit",
        )
    return unit, factors


def in_unit(table: Table, unit: str | None) -> Table:
    """A table whose rows bear a gas, with its fluxes in another unit.

    Raises
    ------
    SelectionError
        The unit is not one; or, as rows are read, does not apply to a gas.
    """
    if unit is None:
        return table
    known, _ = _factors((), unit)
    assert known is not None
    gas = table.names.index("gas")
    convert = [c.unit == columns.FLUX for c in table.columns]
    found = tuple(columns.in_unit(c, known.column, known.text) for c in table.columns)

    def converted(batch: pa.RecordBatch) -> list[pa.Array]:
        gases = pc.unique(batch[gas])
        _, factors = _factors(gases.to_pylist(), unit)
        per_nmol = pa.array(factors.values(), pa.float64()).take(pc.index_in(batch[gas], gases))
        return [
            pc.multiply(cells, per_nmol) if flux else cells
            for cells, flux in zip(batch.columns, convert, strict=True)
        ]

    return table.changed(found, converted)
