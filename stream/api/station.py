"""A station, opened to be read: its tables, its closures, and trials with other settings."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from stream.api.asking import moment, plainly, selection
from stream.api.closure import Closure
from stream.api.frames import formed
from stream.api.station_tables import Names, StationTables
from stream.errors import LidstreamError, QueryError
from stream.report.table import Selection
from stream.report.tables import in_unit, selected_gases
from stream.station import Station as StationConfig
from stream.station import StationFile, changed, load_station, url_beside
from stream.store import Store, open_reading
from stream.store.results.readers import Period
from stream.store.station_data import StationData
from stream.times import rfc3339

_SAME_MINUTE = 60_000_000


@plainly
def open_station(path: str | Path, database: str | None = None) -> "Station":
    """Open a station to read it, beside its running service or without one.

    Nothing is ever written, and between two calls no connection is held: SQLite's file is
    opened read only, a server's transactions are read only.

    Parameters
    ----------
    path : str or Path
        The station file. Passwords of brokers and mail need not be in the environment.
    database : str, optional
        URL, instead of the one in the station file.

    Returns
    -------
    Station
        A context manager too.

    Raises
    ------
    LidstreamError
        There is no station file or no database, one of them is not in order, or the database
        is of another version; one line says what and where.
    """
    file = load_station(Path(path), reading=True)
    url = file.database_url if database is None else url_beside(Path.cwd() / "here", database)
    return _opened(file, url)


def _opened(file: StationFile, url: str, settings: Mapping[str, Any] | None = None) -> "Station":
    return Station(file, open_reading(url), settings, url)


class Station(StationTables):
    """A station that is read; made by :func:`open_station`.

    Every table is a DataFrame with aware times, and its units, labels and meanings in
    ``attrs``; ``as_="arrow"`` gives a ``pyarrow.Table``, ``as_="xarray"`` a Dataset. Periods are
    by the closing of the lid: ``start`` and ``stop`` are days (``"2026-06-01"``, a ``date``) or
    months (``"2026-06"``) at the station, ``stop`` included; or moments with their offset from
    UTC, ``stop`` excluded. ``gas``, ``chamber`` and ``quality`` take one or several. All of it is
    asked of the database, which reads no more than that.
    """

    def __init__(
        self,
        file: StationFile,
        store: Store,
        settings: Mapping[str, Any] | None = None,
        url: str = "",
    ) -> None:
        super().__init__(file, store)
        self._url = url
        self._changes = dict(settings or {})

    @property
    def config(self) -> StationConfig:
        """The station file with what the field log adds, as frozen models."""
        return self._amended().station

    @property
    def settings(self) -> dict[str, Any]:
        """What :meth:`with_settings` changed, as ``section.key``."""
        return {
            f"{section}.{key}": value
            for section, values in self._changes.items()
            for key, value in values.items()
        }

    def __repr__(self) -> str:
        site = self._file.station.station
        shown = [
            f"<Station {self.id}{f' {site.name!r}' if site.name else ''}, read only>",
            f"  chambers  {', '.join(self.chambers)}",
            f"  gases     {', '.join(self.gases)}",
            f"  records   {self._extent()}",
        ]
        if self._changes:
            shown.append(f"  trial     {', '.join(f'{k} = {v}' for k, v in self.settings.items())}")
        return "\n".join(shown)

    def _extent(self) -> str:
        try:
            self._open()
            found = list(self._journal.extent().values())
        except LidstreamError as error:
            return str(error)
        if not found:
            return "none yet"
        return f"{rfc3339(min(f for f, _, _ in found))} to {rfc3339(max(z for _, z, _ in found))}"

    def _stored(self, what: str) -> None:
        if self._changes:
            raise QueryError(
                f"{what}: a trial changes nothing that is stored; ask the station itself, or"
                " compare a period with refit(start, stop)"
            )

    def _data_of_tables(self, period: Period | None) -> StationData:
        data = self._data()
        if not self._changes:
            return data
        from stream.report.tried import TriedFluxes

        if period is not None and not (period.first_us > -(2**62) and period.stop_us < 2**62):
            raise QueryError("fluxes: give start and stop; a trial works out a day in some seconds")
        file = self._amended()
        return replace(data, file=file, flux_columns=TriedFluxes(data, file))

    def _about(self) -> dict[str, Any]:
        return super()._about() | ({"trial": self.settings} if self._changes else {})

    def _without_trial(self) -> "Station":
        return Station(self._file, self._open(), None, self._url) if self._changes else self

    def __reduce__(self) -> tuple[Any, ...]:
        """A copy, here or in another process, opens the station for itself."""
        return _opened, (self._file, self._url, self._changes)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the station; what was read of it stays."""
        if self._store is not None:
            self._store.close()
        self._store = None

    def _amended(self) -> StationFile:
        """The station file as amended now, with what is tried."""
        file = self._data().file
        return changed(file, self._changes) if self._changes else file

    @plainly
    def closure(self, chamber: str, when: object) -> Closure:
        """The closure of a chamber during which a moment lies, or that began in that minute.

        Parameters
        ----------
        chamber : str
        when : str or aware datetime
            ``"2026-06-10T04:00Z"``, or ``closed_at`` of a row of :meth:`fluxes`.

        Raises
        ------
        QueryError
            There is no such chamber, or no closure then; the nearest ones are named.
        """
        asked = Selection(selection(self._file.station).period, (), (chamber,))
        selected_gases(self._file.station, asked)
        at = moment(when, "when")
        reader = self._data().reader
        near = reader.around(chamber, at)
        inside = [r for r in near if r["closed_us"] <= at <= r["opened_us"]]
        soon = [r for r in near if at < r["closed_us"] < at + _SAME_MINUTE]
        for row in [*inside[-1:], *soon[:1]]:
            rows = reader.closure(chamber, row["closed_us"])
            return Closure(self, rows)
        told = ", ".join(rfc3339(r["closed_us"]) for r in near)
        nearest = f"the nearest ones closed at {told}" if near else "it has none yet"
        raise QueryError(f"chamber {chamber}: no closure at {rfc3339(at)}; {nearest}")

    @plainly
    def with_settings(self, **settings: Mapping[str, Any]) -> "Station":
        """The same station under other settings, to be tried; nothing is stored.

        Parameters
        ----------
        **settings
            Sections of the station file: ``closure={"dead_band_s": 45}``,
            ``models={"candidates": ["linear"]}``, ``uncertainty={…}``,
            ``analyzers={"laser": {"lag_s": 9.0}}``, ``chambers={"A1": {"area_m2": 0.26}}``.

        Returns
        -------
        Station
            Its fluxes, days and seasons are worked out again under the settings, as are
            ``closure(…).fit`` and :meth:`refit`: a day of twelve chambers takes some seconds.
            Closures and gaps are those of the station itself, and are not given here.

        Raises
        ------
        StationFileError
            A setting is unknown, or its value cannot be.
        """
        merged = {name: dict(values) for name, values in self._changes.items()}
        for section, values in settings.items():
            if not isinstance(values, Mapping):
                raise QueryError(
                    f"{section}: give a section of the station file with its keys, as in"
                    ' closure={"dead_band_s": 45}'
                )
            tidy = {k: tuple(v) if isinstance(v, list) else v for k, v in values.items()}
            merged[section] = {**merged.get(section, {}), **tidy}
        changed(self._data().file, merged)
        return Station(self._file, self._open(), merged, self._url)

    @plainly
    def refit(
        self,
        start: object,
        stop: object,
        *,
        gas: Names = None,
        chamber: Names = None,
        unit: str | None = None,
        as_: str = "pandas",
    ) -> Any:
        """Work out a period again under these settings, beside what is stored.

        The whole path is gone again, from the lids on, by the code that the service runs; it is
        a preview, and nothing is stored.

        Parameters
        ----------
        start, stop : day, month or moment
        gas, chamber, unit, as_
            As :meth:`fluxes`.

        Returns
        -------
        DataFrame, pyarrow.Table or xarray.Dataset
            One row a closure and gas: flux, standard error, model, points, quality and flags as
            stored and as ``…_tried``, and ``difference_…``, tried less stored.
        """
        from stream.compute.preview import period_preview
        from stream.report.refit import refit_table

        asked = selection(self._file.station, start, stop, gas, chamber)
        selected_gases(self._file.station, asked)
        if start is None or stop is None:
            raise QueryError("refit: give start and stop; a day is a few seconds' work")
        data, file = self._data(), self._amended()
        tried = period_preview(data, file, asked.period.first_us, asked.period.stop_us)
        found = refit_table(file.station, data.reader, tried, asked)
        return formed(in_unit(found, unit), as_, self._about())
