"""The tables of a station, as they are stored: asked of the database, given as frames."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from stream.api.asking import bounds, names, plainly, selection
from stream.api.frames import formed
from stream.errors import QueryError
from stream.report import tables
from stream.report.table import Selection
from stream.report.tables import in_unit, selected_gases
from stream.station import StationFile, gases_of
from stream.store import Store
from stream.store.journal.journal import Journal
from stream.store.results.readers import Period
from stream.store.station_data import ManualTables, Notes, StationData

Names = str | Iterable[str] | None
Qualities = int | str | Iterable[int | str] | None


class StationTables:
    """The tables of one station; see :class:`stream.Station`."""

    def __init__(self, file: StationFile, store: Store) -> None:
        self._file = file
        self._store: Store | None = store
        self._journal = Journal(store, file.station.id, file.archive)

    @property
    def id(self) -> str:
        """The station's identifier."""
        return self._file.station.id

    @property
    def chambers(self) -> tuple[str, ...]:
        """Ids of the chambers."""
        return tuple(c.id for c in self._file.station.chambers)

    @property
    def gases(self) -> tuple[str, ...]:
        """Gases that are measured."""
        return gases_of(self._file.station)

    @property
    def channels(self) -> dict[str, str]:
        """Channel → its unit, as recorded."""
        return {name: c.unit for name, c in self._file.station.channels.items()}

    def _stored(self, what: str) -> None:
        """Stop before stored results are taken for those of a trial."""

    def _data_of_tables(self, period: Period | None) -> StationData:
        """Where tables of fluxes and of days are read; of a period, where that is asked for."""
        del period
        return self._data()

    def _open(self) -> Store:
        if self._store is None:
            raise QueryError(f"station {self.id} is closed; open it again with open_station")
        return self._store

    def _data(self) -> StationData:
        """Readers of the store and the station file as amended now."""
        return replace(StationData.over(self._file, self._open()), journal=self._journal)

    def _about(self) -> dict[str, Any]:
        """What every table says of where it is from."""
        site = self._file.station.station
        return {"station": self.id, "name": site.name, "timezone": site.timezone}

    @plainly
    def fluxes(
        self,
        gas: Names = None,
        *,
        start: object = None,
        stop: object = None,
        chamber: Names = None,
        quality: Qualities = None,
        unit: str | None = None,
        as_: str = "pandas",
    ) -> Any:
        """Fluxes, one row a closure and gas, with every model's flux.

        Parameters
        ----------
        gas, chamber : str or iterable of str, optional
        start, stop : day, month or moment, optional
            By the closing of the lid; see :class:`Station`.
        quality : int, str or iterable, optional
            1 ``good``, 2 ``not evaluated``, 3 ``suspect``, 4 ``bad``, 9 ``missing`` [IOC 54:V3].
        unit : str, optional
            ``g N ha-1 d-1``, ``ug N m-2 h-1``, ``umol m-2 s-1`` … instead of nmol m-2 s-1; the
            names of the columns say which.
        as_ : str
            ``pandas``, ``arrow`` or ``xarray``.

        Returns
        -------
        DataFrame, pyarrow.Table or xarray.Dataset
            Flux positive from soil to air; every column's unit and meaning is in ``attrs``.

        Raises
        ------
        QueryError
            A gas, chamber, quality or time is not there, or the unit does not fit.
        """
        asked = selection(self._file.station, start, stop, gas, chamber, quality, unit)
        return self._table("fluxes", asked, as_)

    @plainly
    def closures(
        self,
        *,
        start: object = None,
        stop: object = None,
        chamber: Names = None,
        quality: Qualities = None,
        as_: str = "pandas",
    ) -> Any:
        """Closures, one row each, with headspace and soil; parameters as :meth:`fluxes`."""
        self._stored("closures")
        asked = selection(self._file.station, start, stop, None, chamber, quality)
        selected_gases(self._file.station, asked)
        data = self._data()
        return formed(tables.finished(data.file.station, data.reader, asked), as_, self._about())

    @plainly
    def gaps(
        self,
        *,
        start: object = None,
        stop: object = None,
        chamber: Names = None,
        as_: str = "pandas",
    ) -> Any:
        """Missed closures, one row each, with the cause in ``flags``; as :meth:`closures`."""
        self._stored("gaps")
        asked = selection(self._file.station, start, stop, None, chamber)
        selected_gases(self._file.station, asked)
        data = self._data()
        return formed(tables.gaps(data.file.station, data.reader, asked), as_, self._about())

    @plainly
    def records(
        self,
        channel: Names = None,
        *,
        start: object = None,
        stop: object = None,
        as_: str = "pandas",
    ) -> Any:
        """Raw data as received, one row a time and one column a channel.

        Parameters
        ----------
        channel : str or iterable of str, optional
            Of :attr:`channels`; all of them where left out.
        start, stop : day, month or moment, optional
        as_ : str

        Returns
        -------
        DataFrame, pyarrow.Table or xarray.Dataset
            In the unit of each channel; empty where a channel has no reading at that time.

        Raises
        ------
        QueryError
            A channel or time is not there.
        """
        station = self._file.station
        wanted = names(channel, "channel")
        for name in wanted:
            if name not in station.channels:
                raise QueryError(f"channel {name}: the station has {', '.join(station.channels)}")
        asked = selection(station, start, stop)
        data = self._data()
        return formed(tables.records(station, data.journal, asked, wanted), as_, self._about())

    @plainly
    def hourly(
        self,
        gas: Names = None,
        *,
        start: object = None,
        stop: object = None,
        chamber: Names = None,
        unit: str | None = None,
        as_: str = "pandas",
    ) -> Any:
        """Hourly means of each chamber, where fluxes near enough to one another cover the hour.

        Straight lines join the usable fluxes (``field.max_quality``); parameters as
        :meth:`fluxes`. Hours without cover are left out. A period is taken as whole days by
        the station's standard time, as in :meth:`daily`.
        """
        asked = selection(self._file.station, start, stop, gas, chamber)
        return self._days("hourly", asked, start, stop, unit, as_)

    @plainly
    def daily(
        self,
        gas: Names = None,
        *,
        start: object = None,
        stop: object = None,
        chamber: Names = None,
        unit: str | None = None,
        as_: str = "pandas",
    ) -> Any:
        """Daily means of each chamber, with rain, soil and what else may drive the flux.

        Days are those of the station by its standard time; a day too little covered has a row
        without a flux. Parameters as :meth:`fluxes`; without a period, that of the season.
        """
        asked = selection(self._file.station, start, stop, gas, chamber)
        return self._days("daily", asked, start, stop, unit, as_)

    @plainly
    def field(
        self,
        gas: Names = None,
        *,
        start: object = None,
        stop: object = None,
        unit: str | None = None,
        as_: str = "pandas",
    ) -> Any:
        """Daily means of plots and treatments, weighted by area; as :meth:`daily`.

        A treatment's standard error is that between its plots.
        """
        asked = selection(self._file.station, start, stop, gas)
        return self._days("field", asked, start, stop, unit, as_)

    @plainly
    def season(
        self, gas: Names = None, *, start: object = None, stop: object = None, as_: str = "pandas"
    ) -> Any:
        """Totals, emission factors and contrasts of plots and treatments [kg ha-1].

        Gaps are filled. Without a period, the ``[season]`` of the station file.
        """
        asked = selection(self._file.station, start, stop, gas)
        return self._days("season", asked, start, stop, None, as_)

    @plainly
    def notes(
        self,
        *,
        start: object = None,
        stop: object = None,
        chamber: Names = None,
        as_: str = "pandas",
    ) -> Any:
        """Entries of the field log, one row each; of a chamber, those that concern it."""
        from stream.report.log_tables import notes

        station = self._file.station
        asked = selection(station, start, stop, None, chamber)
        selected_gases(station, asked)
        rows = Notes(self._open(), self.id).all()
        return formed(notes(station, rows, asked), as_, self._about())

    @plainly
    def vials(
        self,
        gas: Names = None,
        *,
        start: object = None,
        stop: object = None,
        chamber: Names = None,
        as_: str = "pandas",
    ) -> Any:
        """Gas samples of manual sampling, one row a vial and gas; empty until measured.

        Mole fractions are those of the air in the chamber, by the standards of the vial's run.
        """
        from stream.report.log_tables import vials

        asked = selection(self._file.station, start, stop, gas, chamber)
        selected_gases(self._file.station, asked)
        data = self._data()
        kept = ManualTables(data.store, self.id).current()
        return formed(vials(data.file.station, data.reader, kept, asked), as_, self._about())

    @plainly
    def refused(self, *, as_: str = "pandas") -> Any:
        """Rejected lines of input, one row each with the reason; of all times."""
        data = self._data()
        return formed(tables.refused(data.file.station, data.reader), as_, self._about())

    def _table(self, what: str, asked: Selection, as_: str) -> Any:
        from stream.report.tables import table_by_name

        data = self._data_of_tables(asked.period)
        return formed(table_by_name(data, what, asked, None, None), as_, self._about())

    def _days(
        self, what: str, asked: Selection, start: object, stop: object, unit: str | None, as_: str
    ) -> Any:
        """A table of days; without a season in the station file, of all records."""
        from stream.report.tables import table_by_name

        data = self._data_of_tables(None)
        first, last = bounds(data.file.station, start, stop)
        if data.file.station.season is None and (first is None or last is None):
            extent = list(data.journal.extent().values())
            if not extent:
                raise QueryError(f"station {self.id} has no records yet")
            first = min(e[0] for e in extent) if first is None else first
            last = max(e[1] for e in extent) + 1 if last is None else last
        found = in_unit(table_by_name(data, what, asked, first, last), unit)
        return formed(found, as_, self._about())
