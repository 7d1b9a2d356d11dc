"""Fluxes as Arrow columns, every model's fit beside them."""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from sqlalchemy import Select, and_, func, select

from stream.store.connect import Store
from stream.store.results.arrow_rows import arrow_rows
from stream.store.results.readers import Only, Period, of_closure, of_flux, standing
from stream.store.schema import closures, fluxes, model_fits

_OF_CLOSURE: Final = {
    **{c.name: c for c in closures.columns},
    "closure_flags": closures.c.flags,
    "closure_quality": closures.c.quality,
    **{c.name: c for c in fluxes.columns},
}
"""Name → the column; what a flux and its closure both have is that of the flux."""

Name = tuple[str, str]
"""A column, and the model whose it is: ``""`` for one of the flux or its closure."""


def column_name(name: str, model: str = "") -> str:
    """What a column is called in an Arrow table of fluxes."""
    return f"{name}_{model}" if model else name


class FluxColumns:
    """Reads the fluxes of one station as columns."""

    def __init__(self, store: Store, station: str) -> None:
        self._store = store
        self._station = station

    def read(self, period: Period, only: Only, names: Sequence[Name]) -> Iterator[pa.Table]:
        """Newest revisions, a chamber a table, in order of chamber, time and gas.

        Parameters
        ----------
        period : Period
            By the closing of the lid.
        only : Only
            Chambers, gases and qualities.
        names : sequence of (column, model)
            What is wanted; ``chamber`` comes too.
        """
        with self._store.reading() as connection:
            parts = [
                arrow_rows(connection, flux_query(self._station, stretch, only, names))
                for stretch in self._months(connection, period)
            ]
        yield from _by_chamber(parts)

    def _months(self, connection: Any, period: Period) -> list[Period]:
        """The months of a period that hold anything, so that little is held as Python objects."""
        c = closures.c
        query = select(func.min(c.closed_us), func.max(c.closed_us))
        first, last = connection.execute(query.where(standing(self._station, period))).one()
        return [] if first is None else list(months(Period(first, last + 1)))


def months(period: Period) -> Iterator[Period]:
    """The calendar months of a period, in UTC, cut to it."""
    ends = np.array([period.first_us, period.stop_us - 1], "M8[us]").astype("M8[M]")
    edges = np.arange(ends[0], ends[1] + 2).astype("M8[us]").astype(np.int64).tolist()
    for first, stop in pairwise(edges):
        yield Period(max(first, period.first_us), min(stop, period.stop_us))


def flux_query(station: str, period: Period, only: Only, names: Sequence[Name]) -> Select[Any]:
    """Fluxes of a period, in order of chamber, time and gas."""
    c, f = closures, fluxes
    fits = {model: model_fits.alias(f"fit_{model}") for _, model in names if model}
    wanted = [
        fits[model].c[name].label(column_name(name, model)) if model
        else _OF_CLOSURE[name].label(name)
        for name, model in names
    ]  # fmt: skip
    query = select(*wanted).join_from(c, f, of_closure(f))
    for model, fit in fits.items():
        query = query.outerjoin(fit, and_(of_flux(fit, f), fit.c.model == model))
    chambers = Only(only.chambers).where(c)
    asked = Only((), only.gases, only.qualities).where(f)
    return query.where(standing(station, period), *chambers, *asked).order_by(
        c.c.chamber, c.c.closed_us, f.c.gas
    )


def _by_chamber(parts: Sequence[pa.Table]) -> Iterator[pa.Table]:
    """Tables that follow one another in time, each in order of chamber, as one a chamber."""
    slices: dict[str, list[pa.Table]] = {}
    for part in parts:
        at = 0
        for found in pc.value_counts(part["chamber"]).to_pylist():
            chamber, rows = found["values"], found["counts"]
            slices.setdefault(chamber, []).append(part.slice(at, rows))
            at += rows
    for chamber in sorted(slices):
        yield pa.concat_tables(slices[chamber])
