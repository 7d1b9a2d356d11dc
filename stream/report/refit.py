"""Stored fluxes beside those that other settings give."""

from collections.abc import Iterable, Iterator
from typing import Any

from stream import columns
from stream.report.table import Selection, Table, from_rows
from stream.station import Station
from stream.store.results.changes import Result
from stream.store.results.readers import Reader


def refit_table(
    station: Station, reader: Reader, tried: Iterable[Result], selection: Selection
) -> Table:
    """One row a closure and gas, in order of chamber, time and gas.

    Parameters
    ----------
    station : Station
    reader : Reader
        Of what is stored.
    tried : iterable of Result
        Closures of the selection's period.
    selection : Selection
        Chambers and gases that are wanted.

    Returns
    -------
    Table
        A closure that only one side has is empty on the other.
    """
    found = columns.comparison()
    rows: dict[tuple[str, int, str], dict[str, Any]] = {}
    for r in reader.fluxes(selection.period, selection.only):
        rows[r["chamber"], r["closed_us"], r["gas"]] = dict(r)
    places = {c.id: c for c in station.chambers}
    wanted = selection.only
    for result in tried:
        chamber, closed = result.identity
        if wanted.chambers and chamber not in wanted.chambers:
            continue
        names, values = result.children["fluxes"]
        for cells in values:
            mine = dict(zip(names, cells, strict=True))
            if wanted.gases and mine["gas"] not in wanted.gases:
                continue
            where = {c: getattr(places[chamber], c) for c in columns.PLACE}
            known = {"station": station.id, "chamber": chamber, "closed_us": closed, **where}
            row = rows.setdefault((chamber, closed, mine["gas"]), known | {"gas": mine["gas"]})
            row |= {f"{name}_tried": _known(value) for name, value in mine.items()}

    def each() -> Iterator[tuple[Any, ...]]:
        for key in sorted(rows):
            row = rows[key]
            old, new = row.get("flux_nmol_m2_s"), row.get("flux_nmol_m2_s_tried")
            if old is not None and new is not None:
                row["difference_nmol_m2_s"] = new - old
            yield tuple(row.get(c.key) for c in found)

    return from_rows(found, each())


def _known(value: Any) -> Any:
    return None if isinstance(value, float) and value != value else value
