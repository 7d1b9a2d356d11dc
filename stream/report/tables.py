"""Rows for export: which columns, in which order, in which unit. Others rely on the names."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any, Final

from stream import columns
from stream.columns import Column
from stream.errors import CommandError
from stream.science.flux.units import FluxUnit, flux_unit
from stream.station import Station, gases_of
from stream.store.journal.journal import Journal
from stream.store.results.readers import Period, Reader
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
    chambers = frozenset(selection.chambers)

    def rows() -> Iterator[tuple[Any, ...]]:
        for r in reader.fluxes(selection.period):
            if r["gas"] not in factors or (chambers and r["chamber"] not in chambers):
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
    keys = [c.key for c in found]
    chambers = frozenset(selection.chambers)
    places = {c.id: c for c in station.chambers}

    def each() -> Iterator[Mapping[str, Any]]:
        for r in reader.closures(selection.period):
            yield {**r, "kind": "closure"}
        for r in reader.gaps(selection.period):
            place = places.get(r["chamber"])
            known = {c: getattr(place, c) for c in ("analyzer", *columns.PLACE)} if place else {}
            yield {**r, **known, "kind": "gap", "closed_us": r["due_us"]}

    def rows() -> Iterator[tuple[Any, ...]]:
        # Two ordered streams of one station: few enough rows to be sorted in memory.
        for r in sorted(each(), key=lambda r: (r["chamber"], r["closed_us"])):
            if not chambers or r["chamber"] in chambers:
                yield tuple(r.get(key) for key in keys)

    return Table(found, rows())


def refused(station: Station, reader: Reader) -> Table:
    """One row a line that could not be taken, wholly or in part."""
    found = columns.columns(columns.REFUSED)
    rows = (tuple({**r, "station": station.id}[c.key] for c in found) for r in reader.quarantine())
    return Table(found, rows)


def records(station: Station, journal: Journal, selection: Selection) -> Table:
    """One row a time, one column a channel, as recorded; a day is read at a time."""
    channels = tuple(station.channels)
    extent = journal.extent()

    def rows() -> Iterator[tuple[Any, ...]]:
        if not extent:
            return
        first = max(selection.period.first_us, min(e[0] for e in extent.values()))
        last = min(selection.period.stop_us - 1, max(e[1] for e in extent.values()))
        at = first
        while at <= last:
            end = min(last, at - at % DAY + DAY - 1)
            yield from _wide(station.id, channels, journal, at, end)
            at = end + 1

    found = (columns.channel(name, c.unit) for name, c in station.channels.items())
    return Table((*columns.columns(("station", "time")), *found), rows())


def _wide(
    station: str, channels: Sequence[str], journal: Journal, first_us: int, last_us: int
) -> Iterator[tuple[Any, ...]]:
    found = journal.read(channels, first_us, last_us)
    cells: dict[int, list[float | None]] = {}
    for j, channel in enumerate(channels):
        series = found[channel].filled()
        for time, value in zip(series.times.tolist(), series.values.tolist(), strict=True):
            cells.setdefault(time, [None] * len(channels))[j] = value
    for time in sorted(cells):
        yield (station, time, *cells[time])


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
            raise CommandError(f"--gas {gas}: the station measures {', '.join(known)}")
    for chamber in selection.chambers:
        ids = [c.id for c in station.chambers]
        if chamber not in ids:
            raise CommandError(f"--chamber {chamber}: the station has {', '.join(ids)}")
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
        raise CommandError(f"--unit: {error}") from None
    factors: dict[str, float | None] = {}
    unfit = []
    for gas in gases:
        try:
            factors[gas] = unit.per_nmol(gas)
        except ValueError:
            unfit.append(gas)
    if unfit:
        fit = " ".join(f"--gas {gas}" for gas in factors)
        advice = f"add {fit}" if fit else "choose another unit"
        raise CommandError(f"--unit: {text!r} does not apply to {', '.join(unfit)}; {advice}")
    return unit, factors
