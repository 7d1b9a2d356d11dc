"""Fluxes as Arrow columns, every model's fit beside them: months that stand from their files,
the rest from the tables.
"""

from collections.abc import Iterator, Sequence
from functools import reduce
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
from sqlalchemy import Connection

from stream.store.connect import Store
from stream.store.results.arrow_rows import arrow_rows, schema_of
from stream.store.results.flux_query import Name, column_name, flux_query
from stream.store.results.readers import Only, Period
from stream.store.results.settled_months import (
    SettledMonths,
    content,
    extent,
    month_of,
    months,
    read_month,
)


class FluxColumns:
    """Reads the fluxes of one station as columns.

    Parameters
    ----------
    store : Store
    station : str
    root : Path
        Folder of the archive.
    """

    def __init__(self, store: Store, station: str, root: Path) -> None:
        self._store = store
        self._station = station
        self._months = SettledMonths(store, station, root)

    def read(self, period: Period, only: Only, names: Sequence[Name]) -> Iterator[pa.Table]:
        """Newest revisions, a chamber a table, in order of chamber, time and gas.

        Parameters
        ----------
        period : Period
            By the closing of the lid.
        only : Only
            Chambers, gases and qualities.
        names : sequence of (column, model)
            What is wanted; see :func:`stream.store.results.flux_query.column_name`.
        """
        needed = ("chamber", "closed_us", *(name for name, any_of in _choices(only) if any_of))
        asked = list(dict.fromkeys([*names, *((name, "") for name in needed)]))
        wanted = [column_name(*name) for name in names]
        with self._store.reading() as connection:
            parts = list(self._parts(connection, period, only, asked))
        for table in _by_chamber(parts):
            yield table.select(wanted)

    def _parts(
        self, connection: Connection, period: Period, only: Only, names: Sequence[Name]
    ) -> Iterator[pa.Table]:
        """A table a month of the period that holds anything: little is held as Python objects."""
        found = extent(connection, self._station, period)
        listed = self._months.listed(connection)
        for stretch in months(found) if found else ():
            of_month = flux_query(self._station, stretch, only, names)
            month = listed.get(month_of(stretch.first_us))
            held = content(*month) if month else None
            if held is None:
                yield arrow_rows(connection, of_month)
            else:
                schema = schema_of(of_month)
                yield _chosen(read_month(held, schema.names, schema), stretch, only)


def _chosen(table: pa.Table, period: Period, only: Only) -> pa.Table:
    """The rows of a month that are asked for."""
    times = table["closed_us"]
    chosen = []
    if len(times) and pc.min(times).as_py() < period.first_us:
        chosen.append(pc.greater_equal(times, period.first_us))
    if len(times) and pc.max(times).as_py() >= period.stop_us:
        chosen.append(pc.less(times, period.stop_us))
    for name, wanted in _choices(only):
        if wanted:
            values = pa.array(wanted, table[name].type)
            if not pc.all(pc.is_in(pc.unique(table[name]), values)).as_py():
                chosen.append(pc.is_in(table[name], values))
    return table.filter(reduce(pc.and_, chosen)) if chosen else table


def _choices(only: Only) -> tuple[tuple[str, tuple[Any, ...]], ...]:
    """Column → the values that are asked for, () for all."""
    return ("chamber", only.chambers), ("gas", only.gases), ("quality", only.qualities)


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
