"""Rows for export: which columns, in which order, in which unit. Others rely on the names."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from stream import columns
from stream.column import Column
from stream.errors import SelectionError
from stream.science.flux.units import FluxUnit, flux_unit
from stream.station import Station, gases_of
from stream.store.journal.journal import Journal
from stream.store.results.readers import Only, Period, Reader
from stream.times import DAY

_STRETCH: Final = 20_000
"""Rows that are written at once."""


@dataclass(frozen=True, slots=True)
class Table:
    """Columns, and rows of cells: text, numbers, moments [µs since 1970], or None for unknown."""

    columns: tuple[Column, ...]
    rows: Iterator[tuple[Any, ...]]

    @property
    def names(self) -> tuple[str, ...]:
        """Of the columns."""
        return tuple(c.name for c in self.columns)

    def stretches(self) -> Iterator[list[tuple[Any, ...]]]:
        """The rows, so many at a time that memory stays flat."""
        while stretch := list(islice(self.rows, _STRETCH)):
            yield stretch


@dataclass(frozen=True, slots=True)
class Selection:
    """What is asked for."""

    period: Period
    gases: tuple[str, ...] = ()
    chambers: tuple[str, ...] = ()
    unit: str | None = None
    qualities: tuple[int, ...] = ()

    @property
    def only(self) -> Only:
        """What the database is asked for."""
        return Only(self.chambers, self.gases, self.qualities)


def fluxes(station: Station, reader: Reader, selection: Selection) -> Table:
    """One row a closure and gas.

    The columns up to the last candidate's standard error are fixed; further ones
    follow them.

    Raises
    ------
    CommandError
        The unit is not one, or does not apply to a selected gas.
    """
    gases = selected_gases(station, selection)
    unit, factors = _factors(gases, selection.unit)
    found = columns.fluxes(station.models.candidates, *((unit.column, unit.text) if unit else ()))
    # How each cell is come by: the row or a model's part of it, the key, and what it is.
    plan = [(c.model, key := c.key, key in columns.AS_FLUX) for c in found]

    def rows() -> Iterator[tuple[Any, ...]]:
        for r in reader.fluxes(selection.period, selection.only):
            if r["gas"] not in factors:
                continue
            k, fits = factors[r["gas"]], r["models"]
            cells: list[Any] = []
            for model, key, flux in plan:
                part = fits.get(model) if model else r
                value = None if part is None else part[key]
                cells.append(value * k if flux and k is not None and value is not None else value)
            yield tuple(cells)

    return Table(found, rows())


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

    return Table(found, rows())


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


def table_of(names: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> Table:
    """A table of declared columns from rows as the database has them."""
    found = columns.columns(names)
    return Table(found, (tuple(r.get(c.key) for c in found) for r in rows))


def refused(station: Station, reader: Reader) -> Table:
    """One row a line that could not be taken, wholly or in part."""
    return table_of(columns.REFUSED, ({**r, "station": station.id} for r in reader.quarantine()))


def records(
    station: Station, journal: Journal, selection: Selection, channels: Sequence[str] = ()
) -> Table:
    """One row a time, one column a channel, as recorded; a day is read at a time."""
    names = tuple(channels) or tuple(station.channels)
    found = (columns.channel(name, station.channels[name].unit) for name in names)

    def rows() -> Iterator[tuple[Any, ...]]:
        for times, values in record_days(names, journal, selection.period):
            cells = [[None if v != v else v for v in column.tolist()] for column in values]
            for time, *row in zip(times.tolist(), *cells, strict=True):
                yield (station.id, time, *row)

    return Table((*columns.columns(("station", "time")), *found), rows())


def record_days(
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
    factors: dict[str, float] = {}

    def rows() -> Iterator[tuple[Any, ...]]:
        for row in table.rows:
            if row[gas] not in factors:
                _, mine = _factors((row[gas],), unit)
                factors[row[gas]] = mine[row[gas]] or 1.0
            k = factors[row[gas]]
            yield tuple(
                v * k if flux and v is not None else v for v, flux in zip(row, convert, strict=True)
            )

    return Table(found, rows())
