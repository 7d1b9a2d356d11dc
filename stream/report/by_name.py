"""Tables by the names that people ask for them."""

from datetime import UTC, date, datetime, tzinfo

from stream.report import tables
from stream.report.table import Table
from stream.station import read_clock
from stream.store.station_data import StationData


def table_by_name(
    data: StationData,
    what: str,
    selection: tables.Selection,
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
        return tables.fluxes(station, data.flux_columns, selection)
    if what == "closures":
        return tables.closures(station, reader, selection)
    if what == "records":
        return tables.records(station, journal, selection)
    if what == "refused":
        return tables.refused(station, reader)
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
