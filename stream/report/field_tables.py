"""Days, the field and the season as tables."""

from collections.abc import Iterator, Mapping
from typing import Any

from stream import columns
from stream.field.days import (
    chamber_days,
    daily_rows,
    field_rows,
    hourly_rows,
    plot_days,
    treatment_days,
)
from stream.field.drivers import drivers_of
from stream.field.season import season_rows, season_totals
from stream.field.series import Calendar, read_series
from stream.field.weather import rain_mm
from stream.report.table import Selection, Table, from_rows
from stream.report.tables import selected_gases
from stream.station import Station
from stream.store.journal.journal import Journal
from stream.store.results.flux_columns import FluxColumns


def hourly(station: Station, fluxes: FluxColumns, selection: Selection, days: Calendar) -> Table:
    """One row a chamber, gas and hour that lies between fluxes near enough to one another.

    The mean over the hour of the straight lines that join them, for models that step by
    the hour; hours without are left out.
    """
    wanted = _wanted(station, selection)
    series = [s for s in read_series(station, fluxes, days) if wanted(s)]
    return _table(columns.HOURLY, hourly_rows(station, series, days))


def daily(
    station: Station, fluxes: FluxColumns, journal: Journal, selection: Selection, days: Calendar
) -> Table:
    """One row a chamber, gas and day, with what may drive the flux."""
    wanted = _wanted(station, selection)
    series = [s for s in read_series(station, fluxes, days) if wanted(s)]
    rain = rain_mm(station, journal, days, whole_field=True)
    drivers = [drivers_of(station, s, days, rain) for s in series]
    chambers = [chamber_days(station, s, days) for s in series]
    return _table(columns.DAILY, daily_rows(station, chambers, days, drivers))


def field(station: Station, fluxes: FluxColumns, selection: Selection, days: Calendar) -> Table:
    """One row a plot, gas and day, and one a treatment, gas and day."""
    gases = set(selected_gases(station, selection))
    chambers = [
        chamber_days(station, s, days) for s in read_series(station, fluxes, days) if s.gas in gases
    ]
    plots = plot_days(station, chambers, days)
    return _table(
        columns.FIELD, field_rows(station, plots, treatment_days(station, chambers, days), days)
    )


def season(
    station: Station, fluxes: FluxColumns, journal: Journal, selection: Selection, days: Calendar
) -> Table:
    """One row a plot and gas, and one a treatment and gas."""
    gases = set(selected_gases(station, selection))
    totals = season_totals(station, fluxes, journal, days)
    rows = (r for r in season_rows(station, totals) if r["gas"] in gases)
    return _table(columns.SEASON, rows)


def _wanted(station: Station, selection: Selection) -> Any:
    gases = set(selected_gases(station, selection))
    chambers = set(selection.chambers)

    def wants(series: Any) -> bool:
        return series.gas in gases and (not chambers or series.chamber.id in chambers)

    return wants


def _table(names: tuple[str, ...], rows: Iterator[Mapping[str, Any]]) -> Table:
    return from_rows(columns.columns(names), (tuple(r.get(name) for name in names) for r in rows))
