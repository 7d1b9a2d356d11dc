"""Months of fluxes that stand, as files beside the archive: read in a hundredth of the time.

They are copies and nothing more. A file is named by its content and listed in the database; the
commit that changes a closure of its month takes it off the list, so that whoever reads finds a
month listed only while it says what the tables say. A file that is not there, or not as it was
written, is passed over, and the tables are read.
"""

import hashlib
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from sqlalchemy import Connection, select, update

from stream.errors import StoreError
from stream.store.connect import Store
from stream.store.results.arrow_rows import arrow_rows
from stream.store.results.bulk import insert_rows
from stream.store.results.flux_query import every_name, flux_query
from stream.store.results.readers import Only, Period, standing
from stream.store.schema import PROVISIONAL, closures, flux_months, model_fits, unsettled
from stream.times import DAY

FOLDER: Final = "fluxes"
"""In the archive, with a folder a station."""


def months(period: Period) -> Iterator[Period]:
    """The calendar months of a period, in UTC, cut to it."""
    for first, stop in pairwise(_edges(period)):
        yield Period(max(first, period.first_us), min(stop, period.stop_us))


def extent(connection: Connection, station: str, period: Period) -> Period | None:
    """From the first closure of a period to the last, both included; None where there is none."""
    at = closures.c.closed_us
    query = select(at).where(standing(station, period)).limit(1)
    first = connection.execute(query.order_by(at)).scalar()
    last = connection.execute(query.order_by(at.desc())).scalar()
    return None if first is None or last is None else Period(first, last + 1)


def month_of(time_us: int) -> int:
    """The first moment of the month of a moment [µs]."""
    return _edges(Period(time_us, time_us + 1))[0]


def _edges(period: Period) -> list[int]:
    ends = np.array([period.first_us, period.stop_us - 1], "M8[us]").astype("M8[M]")
    edges: list[int] = np.arange(ends[0], ends[1] + 2).astype("M8[us]").astype(np.int64).tolist()
    return edges


def forget_months(connection: Connection, station: str, times_us: Iterable[int]) -> None:
    """Take the months of some closures off the list, in the commit that changes these."""
    m = flux_months.c
    changed = sorted({month_of(at) for at in times_us})
    mine = m.station == station, m.month_us.in_(changed), m.current == 1
    connection.execute(update(flux_months).where(*mine).values(current=0))


class SettledMonths:
    """Keeps the months of one station.

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

    def listed(self, connection: Connection) -> dict[int, tuple[Path, str]]:
        """First moment of a month [µs] → its file and what its SHA-256 must be."""
        m = flux_months.c
        query = select(m.month_us, m.path, m.sha256)
        found = connection.execute(query.where(m.station == self._station, m.current == 1))
        return {month: (self._root / path, sha256) for month, path, sha256 in found}

    def keep(
        self,
        before_us: int,
        told: Callable[[], None] = lambda: None,
        most: int = 6,
    ) -> int:
        """Write the months that ended before a moment, have nothing unsettled near them, and are
        not written yet.

        Parameters
        ----------
        before_us : int
            [µs]
        told : callable
            Called after each month.
        most : int
            Months to write at most, the latest first.

        Returns
        -------
        int
            Number of months.

        Raises
        ------
        StoreError
            The disk or the database refuses; the tables hold everything all the same.
        """
        self._clear()
        wanted = self._unwritten(before_us)[-most:]
        for month in wanted:
            self._write(month)
            told()
        return len(wanted)

    def _unwritten(self, before_us: int) -> list[Period]:
        c = closures.c
        with self._store.reading() as connection:
            held = extent(connection, self._station, Period())
            if held is None:
                return []
            listed = self.listed(connection)
            u = unsettled.c
            spans = connection.execute(
                select(u.first_us, u.last_us).where(u.station == self._station)
            ).all()
            begun = select(c.closed_us).where(c.station == self._station, PROVISIONAL)
            open_months = {month_of(at) for at in connection.execute(begun).scalars()}
        whole = (Period(*edges) for edges in pairwise(_edges(held)))
        return [
            month
            for month in whole
            if month.stop_us <= before_us
            and month.first_us not in open_months
            and not (month.first_us in listed and content(*listed[month.first_us]) is not None)
            and not any(a < month.stop_us + DAY and b >= month.first_us - DAY for a, b in spans)
        ]

    def _write(self, month: Period) -> None:
        m = model_fits.c
        with self._store.reading() as connection:
            held = select(m.model).where(
                m.station == self._station,
                m.closed_us >= month.first_us,
                m.closed_us < month.stop_us,
            )
            models = sorted(connection.execute(held.distinct()).scalars())
            query = flux_query(self._station, month, Only(), every_name(models))
            table = arrow_rows(connection, query)
        out = io.BytesIO()
        pq.write_table(table, out, compression="zstd")
        sha256 = hashlib.sha256(out.getbuffer()).hexdigest()
        name = str(np.datetime64(month.first_us, "us").astype("M8[M]"))
        file = Path(FOLDER, self._station, f"{name}-{sha256[:12]}.parquet")
        self._put(self._root / file, out)
        row = {
            "month_us": month.first_us,
            "path": file.as_posix(),
            "rows": table.num_rows,
            "bytes": out.getbuffer().nbytes,
            "sha256": sha256,
            "current": 1,
        }
        with self._store.writing() as connection:
            insert_rows(connection, flux_months, [row], self._station, "replace")

    def _put(self, path: Path, out: io.BytesIO) -> None:
        part = path.with_suffix(".part")
        try:
            path.parent.mkdir(parents=True, exist_ok=True, mode=0o770)
            part.write_bytes(out.getbuffer())
            part.chmod(0o660)
            part.replace(path)
        except OSError as error:
            raise StoreError(
                f"{path.parent}: months of fluxes cannot be written: {error.strerror}"
            ) from None

    def _clear(self) -> None:
        """Remove the files of months that were taken off the list, and then what lists them."""
        m = flux_months.c
        gone = m.station == self._station, m.current == 0
        with self._store.reading() as connection:
            paths = [
                self._root / p for p in connection.execute(select(m.path).where(*gone)).scalars()
            ]
        if not paths:
            return
        try:
            for path in paths:
                path.unlink(missing_ok=True)
        except OSError as error:
            raise StoreError(f"{path}: cannot be removed: {error.strerror}") from None
        with self._store.writing() as connection:
            connection.execute(flux_months.delete().where(*gone))


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
