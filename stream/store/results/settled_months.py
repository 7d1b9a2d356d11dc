"""Months of fluxes that are over, as files in the archive's folder: read in a tenth of the time.

They are copies and nothing more. A file is named by its content and listed in the database; the
commit that changes a closure of its month takes it off the list, so that whoever reads finds a
month listed only while it says what the tables say. A file that is not there, or not as it was
written, is passed over, and the tables are read.
"""

import hashlib
import io
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow.parquet as pq
from sqlalchemy import Connection, Select, select, update

from stream.errors import StoreError
from stream.store.connect import Store
from stream.store.results.bulk import insert_rows
from stream.store.results.flux_columns import content, listed_months, month_of
from stream.store.results.flux_query import arrow_rows, every_name, flux_query
from stream.store.results.readers import Only, Period, standing
from stream.store.schema import PROVISIONAL, closures, flux_months, model_fits, unsettled
from stream.times import DAY

FOLDER: Final = "fluxes"
"""In the archive, with a folder a station."""
_ANNOUNCED: Final = -1
"""``current`` of a month that is being written."""


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
            held = list(months_held(connection, self._station, Period()))
            listed = listed_months(connection, self._station, self._root)
            u = unsettled.c
            spans = connection.execute(
                select(u.first_us, u.last_us).where(u.station == self._station)
            ).all()
            begun = select(c.closed_us).where(c.station == self._station, PROVISIONAL)
            open_months = {month_of(at).first_us for at in connection.execute(begun).scalars()}
        return [
            month
            for month in held
            if month.stop_us <= before_us
            and month.first_us not in open_months
            and not (month.first_us in listed and content(*listed[month.first_us]) is not None)
            and not any(a < month.stop_us + DAY and b >= month.first_us - DAY for a, b in spans)
        ]

    def _write(self, month: Period) -> None:
        """Announced first: a commit that changes a closure of the month meanwhile, or a crash,
        leaves a row that is not current, and what it names is removed.
        """
        row: dict[str, object] = {
            "month_us": month.first_us,
            "path": "",
            "rows": 0,
            "bytes": 0,
            "sha256": "",
        }
        row["current"] = _ANNOUNCED
        with self._store.writing() as connection:
            insert_rows(connection, flux_months, [row], self._station, "replace")
        with self._store.reading() as connection:
            table = arrow_rows(connection, self._query(connection, month))
        out = io.BytesIO()
        pq.write_table(table, out, compression="zstd")
        sha256 = hashlib.sha256(out.getbuffer()).hexdigest()
        name = str(np.datetime64(month.first_us, "us").astype("M8[M]"))
        file = Path(FOLDER, self._station, f"{name}-{sha256[:12]}.parquet")
        size = out.getbuffer().nbytes
        self._update(month, path=file.as_posix(), rows=table.num_rows, bytes=size, sha256=sha256)
        self._put(self._root / file, out)
        self._update(month, current=1)

    def _update(self, month: Period, **values: object) -> None:
        """Of a month that is still as it was announced."""
        m = flux_months.c
        mine = m.station == self._station, m.month_us == month.first_us, m.current == _ANNOUNCED
        with self._store.writing() as connection:
            connection.execute(update(flux_months).where(*mine).values(**values))

    def _query(self, connection: Connection, month: Period) -> Select[Any]:
        m = model_fits.c
        held = select(m.model).where(
            m.station == self._station,
            m.closed_us >= month.first_us,
            m.closed_us < month.stop_us,
        )
        models = sorted(connection.execute(held.distinct()).scalars())
        return flux_query(self._station, month, Only(), every_name(models))

    def _put(self, path: Path, out: io.BytesIO) -> None:
        part = path.with_suffix(".part")
        try:
            path.parent.mkdir(parents=True, exist_ok=True, mode=0o770)
            part.write_bytes(out.getbuffer())
            part.chmod(0o660)
            part.replace(path)
        except OSError as error:
            with suppress(OSError):  # what it took of a full disk is needed elsewhere
                part.unlink(missing_ok=True)
            raise StoreError(
                f"{path.parent}: months of fluxes cannot be written: {error.strerror}"
            ) from None

    def _clear(self) -> None:
        """Remove the files of months that are not on the list, and then what names them."""
        m = flux_months.c
        gone = m.station == self._station, m.current != 1
        with self._store.reading() as connection:
            named = list(connection.execute(select(m.path).where(*gone)).scalars())
        if not named:
            return
        try:
            for path in (self._root / name for name in named if name):
                path.unlink(missing_ok=True)
                path.with_suffix(".part").unlink(missing_ok=True)
        except OSError as error:
            raise StoreError(f"{path}: cannot be removed: {error.strerror}") from None
        with self._store.writing() as connection:
            connection.execute(flux_months.delete().where(*gone))


def months_held(connection: Connection, station: str, period: Period) -> Iterator[Period]:
    """The calendar months, in UTC and whole, in which a closure of a period began.

    From one closure to the next month that has any: a clock that was wrong once may have left one
    seventy years ahead.
    """
    at = closures.c.closed_us
    first = period.first_us
    while first < period.stop_us:
        rest = standing(station, Period(first, period.stop_us))
        found = connection.execute(select(at).where(rest).order_by(at).limit(1)).scalar()
        if found is None:
            return
        month = month_of(found)
        yield month
        first = month.stop_us
