"""Fluxes as Arrow columns, every model's fit beside them: months that are over from their files,
the rest from the tables.
"""

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import reduce
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from sqlalchemy import Connection, func, select, update

from stream.store.connect import Store
from stream.store.results.flux_query import Name, arrow_rows, column_name, flux_query, schema_of
from stream.store.results.readers import Only, Period, standing
from stream.store.schema import closures, flux_months
from stream.times import DAY

_AT_ONCE: Final = 50_000
"""Closures whose fluxes are held in memory together, where all columns of them are wanted."""
_FEW_COLUMNS: Final = 16
_SHORT_US: Final = 62 * DAY
"""So few columns, or so short a period, are read whole: they take little memory."""


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
        self._root = root

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
        needed = ("chamber", "closed_us", *(name for name, any_of in only.choices() if any_of))
        asked = list(dict.fromkeys([*names, *((name, "") for name in needed)]))
        wanted = [column_name(*name) for name in names]
        with self._store.reading() as connection:
            little = len(names) <= _FEW_COLUMNS or period.stop_us - period.first_us <= _SHORT_US
            groups = [only.chambers] if little else self._groups(connection, period, only)
            for chambers in groups:
                some = replace(only, chambers=chambers)
                parts = list(self._parts(connection, period, some, asked))
                for table in _by_chamber(parts):
                    yield table.select(wanted)

    def _groups(
        self, connection: Connection, period: Period, only: Only
    ) -> Iterator[tuple[str, ...]]:
        """The chambers that are asked for, so many at a time that memory stays flat."""
        c = closures.c
        query = select(c.chamber, func.count()).where(standing(self._station, period))
        query = query.where(*Only(only.chambers).where(closures)).group_by(c.chamber)
        group: list[str] = []
        together = 0
        for chamber, count in connection.execute(query.order_by(c.chamber)).all():
            if group and together + count > _AT_ONCE:
                yield tuple(group)
                group, together = [], 0
            group.append(chamber)
            together += count
        if group:
            yield tuple(group)

    def _parts(
        self, connection: Connection, period: Period, only: Only, names: Sequence[Name]
    ) -> Iterator[pa.Table]:
        """Tables that follow one another in time: of each month that lies in a file, and of what
        is between.
        """
        listed = listed_months(connection, self._station, self._root)
        for stretch, file in _stretches(period, listed):
            query = flux_query(self._station, stretch, only, names)
            held = content(*file) if file else None
            if held is None:
                yield arrow_rows(connection, query)
            else:
                schema = schema_of(query)
                yield _chosen(read_month(held, schema.names, schema), stretch, only)


def _stretches(
    period: Period, listed: Mapping[int, tuple[Path, str]]
) -> Iterator[tuple[Period, tuple[Path, str] | None]]:
    """A period in parts: months that are listed, with their files, and what is between."""
    at = period.first_us
    for first in sorted(listed):
        month = month_of(first)
        if month.stop_us <= period.first_us or month.first_us >= period.stop_us:
            continue
        if at < month.first_us:
            yield Period(at, month.first_us), None
        at = min(month.stop_us, period.stop_us)
        yield Period(max(month.first_us, period.first_us), at), listed[first]
    if at < period.stop_us:
        yield Period(at, period.stop_us), None


def listed_months(connection: Connection, station: str, root: Path) -> dict[int, tuple[Path, str]]:
    """First moment of a month [µs] → its file and what its SHA-256 must be."""
    m = flux_months.c
    query = select(m.month_us, m.path, m.sha256).where(m.station == station, m.current == 1)
    return {month: (root / path, sha256) for month, path, sha256 in connection.execute(query)}


def month_of(time_us: int) -> Period:
    """The calendar month of a moment [µs], in UTC."""
    month = np.datetime64(time_us, "us").astype("M8[M]")
    first, stop = (int((month + n).astype("M8[us]").astype(np.int64)) for n in (0, 1))
    return Period(first, stop)


def forget_months(connection: Connection, station: str, times_us: Iterable[int]) -> None:
    """Take the months of some closures off the list, in the commit that changes these."""
    m = flux_months.c
    changed = sorted({month_of(at).first_us for at in times_us})
    mine = m.station == station, m.month_us.in_(changed), m.current != 0
    connection.execute(update(flux_months).where(*mine).values(current=0))


def content(path: Path, sha256: str) -> bytes | None:
    """What a month's file holds; None where it is not there, or not as it was written."""
    try:
        found = path.read_bytes()
    except OSError:
        return None
    return found if hashlib.sha256(found).hexdigest() == sha256 else None


def read_month(held: bytes, names: Sequence[str], schema: pa.Schema) -> pa.Table:
    """Columns of a month; one of a model that nothing was fitted by is empty."""
    file = pq.ParquetFile(pa.BufferReader(held))
    there = set(file.schema_arrow.names)
    found = file.read([name for name in names if name in there])
    rows = found.num_rows
    return pa.table(
        [found[n] if n in there else pa.nulls(rows, schema.field(n).type) for n in names],
        schema=pa.schema(schema.field(n) for n in names),
    )


def _chosen(table: pa.Table, period: Period, only: Only) -> pa.Table:
    """The rows of a month that are asked for."""
    times = table["closed_us"]
    chosen = []
    if len(times) and pc.min(times).as_py() < period.first_us:
        chosen.append(pc.greater_equal(times, period.first_us))
    if len(times) and pc.max(times).as_py() >= period.stop_us:
        chosen.append(pc.less(times, period.stop_us))
    for name, wanted in only.choices():
        if wanted:
            values = pa.array(wanted, table[name].type)
            if not pc.all(pc.is_in(pc.unique(table[name]), values)).as_py():
                chosen.append(pc.is_in(table[name], values))
    return table.filter(reduce(pc.and_, chosen)) if chosen else table


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
