"""One closure: its data points, window, conditions, revisions, every model's fit, and trials."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from stream import columns
from stream.api.asking import plainly, settings_of
from stream.api.fit_result import FitResult
from stream.api.frames import attributes, formed
from stream.compute.closures.evaluate import Evaluation
from stream.errors import QueryError
from stream.report.table import table_of
from stream.station import StationFile, changed
from stream.store.results.readers import Row

if TYPE_CHECKING:
    import pandas as pd

    from stream.api.station import Station

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_ALL: Final = 2**31


class Closure:
    """A stored closure; made by :meth:`Station.closure`.

    What is stored is in :attr:`fluxes`, :attr:`fits` and :attr:`conditions`; :meth:`fit` is a
    preview from the records, and stores nothing.
    """

    def __init__(self, station: "Station", rows: list[Row]) -> None:
        self._station = station
        self._rows = rows
        self._row = next(r for r in rows if r["current"])

    @property
    def chamber(self) -> str:
        """The chamber's id."""
        return str(self._row["chamber"])

    @property
    def closed_at(self) -> datetime:
        """When the lid closed, UTC."""
        return _EPOCH + timedelta(microseconds=self._row["closed_us"])

    @property
    def opened_at(self) -> datetime:
        """When the lid opened, UTC."""
        return _EPOCH + timedelta(microseconds=self._row["opened_us"])

    @property
    def gases(self) -> tuple[str, ...]:
        """Gases that the chamber's analyzer measures."""
        station = self._station.config
        chamber = next(c for c in station.chambers if c.id == self.chamber)
        return tuple(station.analyzer(chamber.analyzer).gases)

    @property
    def quality(self) -> int:
        """Quality code of the closure: 1 good, 2 not evaluated, 3 suspect, 4 bad, 9 missing."""
        return int(self._row["quality"])

    @property
    def flags(self) -> tuple[str, ...]:
        """Flags of the closure; those of each gas are in :attr:`fluxes`."""
        return tuple(self._row["flags"].split())

    @property
    def revision(self) -> int:
        """Which version of the result; 0 is provisional."""
        return int(self._row["revision"])

    @property
    def conditions(self) -> "pd.Series[Any]":
        """Headspace, temperatures, pressure and soil as they are stored; units in ``attrs``."""
        import pandas as pd

        known = columns.columns(columns.FACTS)
        found = pd.Series({c.name: self._row[c.key] for c in known}, dtype=object)
        found.attrs["units"] = {c.name: c.unit for c in known if c.unit}
        return found

    @property
    def revisions(self) -> "pd.DataFrame":
        """Every version of this closure, the newest first."""
        found: pd.DataFrame = self._formed(columns.REVISIONS, self._rows)
        return found

    @property
    def fits(self) -> "pd.DataFrame":
        """Every model's stored fit, one row a gas and model [nmol m⁻² s⁻¹]."""
        data = self._station._data()
        key = self._row["chamber"], self._row["closed_us"], self._row["revision"]
        found: pd.DataFrame = self._formed(columns.FITS, data.reader.fits_of(*key))
        return found

    @property
    def fluxes(self) -> "pd.DataFrame":
        """The stored fluxes, one row a gas, as :meth:`Station.fluxes` has them."""
        found: pd.DataFrame = self._station._without_trial().fluxes(**self._mine())
        return found

    @property
    def notes(self) -> "pd.DataFrame":
        """Entries of the field log about this closure's time and chamber."""
        found: pd.DataFrame = self._station.notes(**self._mine(until=self.opened_at))
        return found

    @property
    def window(self) -> dict[str, tuple[float, float]]:
        """Gas → times of the first and last fitted point since the lid closed [s]."""
        found = self.fluxes.set_index("gas")[["window_start_s", "window_end_s"]]
        return {str(gas): (float(a), float(b)) for gas, (a, b) in found.iterrows()}

    def samples(self, gas: str | None = None) -> "pd.DataFrame":
        """What was recorded of a gas, from a minute before the lid closed to a minute after.

        Parameters
        ----------
        gas : str
            May be left out where only one is measured.

        Returns
        -------
        DataFrame
            ``seconds`` since the lid closed [s], ``mole_fraction``, dry, in terms of the
            standard gases [nmol mol⁻¹], and ``used``: whether it is a data point of the fit.

        Raises
        ------
        QueryError
            The gas is not measured there.
        """
        import pandas as pd

        gas = self._known(gas)
        file = self._station._amended()
        evaluation = self._evaluation(file)
        used = evaluation.points[gas][0]
        t, y = self._left_out(file, gas)
        t, y = np.concatenate([used.t, t]), np.concatenate([used.y, y])
        cells = (t, y, np.arange(len(t)) < len(used.t))
        found = pd.DataFrame(dict(zip(columns.SAMPLES, cells, strict=True)))
        found = found.sort_values("seconds", kind="stable", ignore_index=True)
        found.attrs |= attributes(columns.columns(columns.SAMPLES), self._station._about())
        return found

    @plainly
    def fit(self, gas: str | None = None, **settings: Any) -> FitResult:
        """Fit this closure from its records, with other settings perhaps; stored nowhere.

        Parameters
        ----------
        gas : str
            May be left out where only one is measured.
        **settings
            Keys of ``[closure]`` and ``[models]`` of the station file: ``dead_band_s=45``,
            ``max_duration_s=600``, ``default="linear"``, ``candidates=["linear", "diffusive"]``.

        Returns
        -------
        FitResult
            Without settings the flux is the stored one, to the bit, where the station file is
            the one that it was stored under.

        Raises
        ------
        QueryError
            The gas is not measured there, the closure is still in progress, its records were
            removed by retention, or a setting is none of a single closure.
        StationFileError
            A setting is unknown, or its value cannot be.
        """
        from stream.compute.preview import OF_LIDS

        gas = self._known(gas)
        for name in OF_LIDS & settings.keys():
            raise QueryError(
                f"{name}: decides which closures there are; try it by"
                f" station.with_settings(closure={{{name!r}: …}}).refit(start, stop)"
            )
        file = self._station._amended()
        if settings:
            file = changed(file, settings_of(settings))
        return self._result(
            self._evaluation(file), gas, {**self._station.settings, **settings}, file
        )

    def plot(self, gas: str | None = None, ax: Any = None) -> Any:
        """Draw the fit with the station's settings; see :meth:`FitResult.plot`."""
        return self.fit(gas).plot(ax)

    def __repr__(self) -> str:
        minutes = (self.opened_at - self.closed_at).total_seconds() / 60
        return (
            f"<Closure {self.chamber} {self.closed_at:%Y-%m-%dT%H:%M:%SZ}, {minutes:.1f} min,"
            f" {', '.join(self.gases)}; quality {self.quality}, revision {self.revision}>"
        )

    def _known(self, gas: str | None) -> str:
        if gas is None and len(self.gases) == 1:
            return self.gases[0]
        if gas is None or gas not in self.gases:
            asked = "gas: say which" if gas is None else f"gas {gas}"
            raise QueryError(f"{asked}: chamber {self.chamber} has {', '.join(self.gases)}")
        return gas

    def _mine(self, until: datetime | None = None) -> dict[str, Any]:
        stop = (until or self.closed_at) + timedelta(microseconds=1)
        return {"chamber": self.chamber, "start": self.closed_at, "stop": stop}

    def _formed(self, names: tuple[str, ...], rows: list[Row]) -> Any:
        return formed(table_of(names, rows), "pandas", self._station._about())

    def _evaluation(self, file: StationFile) -> Evaluation:
        from stream.compute.preview import closure_preview

        data = self._station._data()
        if self.revision == 0:
            raise QueryError(f"{self!r}: still in progress; fit it when its lid has opened")
        kept = data.journal.kept_from()
        if kept is not None and self._row["closed_us"] < kept:
            raise QueryError(
                f"{self!r}: its records were removed after archive.keep_days; what is stored of it"
                " is in closure.fluxes and closure.fits"
            )
        return closure_preview(data, file, self._row)

    def _left_out(self, file: StationFile, gas: str) -> tuple[Any, Any]:
        from stream.compute.closure_samples import samples_around
        from stream.times import SECOND

        row = self._row
        gap = round((row["open_gap_s"] or 0.0) * SECOND)
        found = samples_around(
            file.station, self._station._data().journal, self.chamber, row["closed_us"],
            row["opened_us"], gap, most=_ALL,
        )  # fmt: skip
        others = found.get(gas, {}).get("left_out", {"t": [], "y": []})
        return np.array(others["t"]), np.array(others["y"])

    def _result(
        self, found: Evaluation, gas: str, settings: Mapping[str, Any], file: StationFile
    ) -> FitResult:
        from stream.api.results import result_of

        title = f"Closure {self.chamber} {self.closed_at:%Y-%m-%dT%H:%M:%SZ}, {gas}"
        left_out = self._left_out(file, gas)
        return result_of(found, gas, title=title, settings=settings, left_out=left_out)
