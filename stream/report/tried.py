"""Fluxes as other settings give them, read as stored ones are."""

from collections.abc import Iterator, Sequence
from typing import Any

import pyarrow as pa

from stream.compute.preview import period_preview
from stream.station import StationFile
from stream.store.results.changes import Result
from stream.store.results.flux_columns import FluxColumns
from stream.store.results.flux_query import Name, column_name, flux_query, schema_of
from stream.store.results.readers import Only, Period
from stream.store.station_data import StationData


class TriedFluxes(FluxColumns):
    """Works out again what is read, by the code that the service runs; nothing is stored.

    Parameters
    ----------
    data : StationData
        Of what is stored.
    file : StationFile
        With the settings that are tried.
    """

    def __init__(self, data: StationData, file: StationFile) -> None:
        super().__init__(data.store, file.station.id, file.archive)
        self._data = data
        self._file = file

    def read(self, period: Period, only: Only, names: Sequence[Name]) -> Iterator[pa.Table]:
        """As :meth:`FluxColumns.read`; closures that are not over are left out."""
        rows: dict[str, list[dict[str, Any]]] = {}
        for result in period_preview(self._data, self._file, period.first_us, period.stop_us):
            for row in _rows(result):
                if all(not any_of or row[name] in any_of for name, any_of in only.choices()):
                    rows.setdefault(row["chamber"], []).append(row)
        station = self._file.station.id
        schema = schema_of(flux_query(station, period, only, names))
        known = {"station": station, "station_digest": self._file.digest}
        for chamber in sorted(rows):
            mine = sorted(rows[chamber], key=lambda r: (r["closed_us"], r["gas"]))
            cells = [
                pa.array([(known | r).get(f.name) for r in mine], f.type, from_pandas=True)
                for f in schema
            ]
            yield pa.Table.from_arrays(cells, schema=schema)


def _rows(result: Result) -> Iterator[dict[str, Any]]:
    """One row a gas, as a query of what is stored has it."""
    chamber, closed_us = result.identity
    closure = {**result.row, "chamber": chamber, "closed_us": closed_us}
    closure |= {f"closure_{name}": result.row[name] for name in ("flags", "quality")}
    fits: dict[str, dict[str, Any]] = {}
    for fit in _each(result, "model_fits"):
        by_model = {column_name(name, fit["model"]): value for name, value in fit.items()}
        fits.setdefault(fit["gas"], {}).update(by_model)
    for flux in _each(result, "fluxes"):
        yield {**closure, **flux, **fits.get(flux["gas"], {})}


def _each(result: Result, kind: str) -> Iterator[dict[str, Any]]:
    names, values = result.children[kind]
    for cells in values:
        yield dict(zip(names, cells, strict=True))
