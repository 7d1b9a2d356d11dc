"""The archive: settled days of the journal as Parquet files, with a manifest in the database.

A day's file is durable before the commit that lists it and takes the day's blocks
away; a file that was replaced or outlived its retention is removed after the commit
that says so. A crash in between leaves a file that nothing lists, never a listed day
without its file.
"""

import json
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select, update

from stream.errors import StoreError
from stream.store.connect import Store
from stream.store.journal.archived_day import DayFile, write_day
from stream.store.journal.blocks import append_blocks, check_block, decode, encode, remove_blocks
from stream.store.journal.journal import Journal
from stream.store.results.bulk import insert_rows
from stream.store.results.changes import Block
from stream.store.schema import archive_days, journal_blocks
from stream.times import DAY

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]

_PART_US: Final = DAY // 6
"""Stretch of a day that is held in memory at a time."""


class Archive:
    """Keeps the archive of one station.

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
        self._journal = Journal(store, station, root)

    def keep(self, before_us: int, told: Callable[[], None] = lambda: None) -> int:
        """Move every settled day that ended before a moment out of the database.

        Parameters
        ----------
        before_us : int
            [µs]
        told : callable
            Called after each day.

        Returns
        -------
        int
            Number of days.

        Raises
        ------
        StoreError
            The disk or the database refuses; what was moved before is safe.
        """
        self._must_be_there()
        spans = self._journal.unsettled()
        days = [
            day
            for day in self._days_with_blocks()
            if day + DAY <= before_us and not any(a < day + DAY and b >= day for a, b in spans)
        ]
        for day in days:
            self._keep_day(day)
            told()
        return len(days)

    @property
    def trash(self) -> Path:
        """Where removed files wait before they are deleted."""
        return self._root / "removed" / self._station

    def remove(self, before_us: int, most: int) -> int:
        """Remove the files of days that ended before a moment, the oldest first; the manifest
        remembers them, and the files wait in :attr:`trash`.

        Parameters
        ----------
        before_us : int
            [µs]
        most : int
            Days to remove at most.

        Returns
        -------
        int
            Number of days.
        """
        self._must_be_there()
        d = archive_days
        mine = d.c.station == self._station
        ended = d.c.day_us + DAY <= before_us
        with self._store.writing() as connection:
            oldest = select(d.c.day_us).where(mine, ended, d.c.removed == 0)
            days = list(connection.execute(oldest.order_by(d.c.day_us).limit(most)).scalars())
            connection.execute(update(d).where(mine, d.c.day_us.in_(days)).values(removed=1))
            paths = connection.execute(select(d.c.path).where(mine, d.c.removed == 1)).scalars()
            removed = list(paths)
        for path in removed:
            self.throw_away(self._root / path)
        return len(days)

    def empty_trash(self, before_us: int) -> None:
        """Delete the files that were put into the trash before a moment [µs]."""
        for path in files_below(self.trash, "*"):
            with _told(path):
                if path.stat().st_mtime_ns // 1000 < before_us:
                    path.unlink(missing_ok=True)

    def throw_away(self, file: Path) -> None:
        """Put a file into the trash.

        Raises
        ------
        StoreError
            The disk refuses.
        """
        with _told(file):
            if not file.exists():
                return
            self.trash.mkdir(parents=True, exist_ok=True)
            # How long it has waited is told by the time at which it came here.
            now = time.time_ns()
            os.utime(file, ns=(now, now))
            file.replace(self.trash / file.name)

    def _must_be_there(self) -> None:
        """An empty mount point must not be taken for the archive.

        Raises
        ------
        StoreError
            Days are listed, and the station's folder is not there.
        """
        d = archive_days.c
        query = select(d.path).where(d.station == self._station, d.removed == 0).limit(1)
        with self._store.reading() as connection:
            listed_one = connection.execute(query).first() is not None
        if listed_one and not (self._root / self._station).is_dir():
            raise StoreError(f"{self._root}: the archive is away; mount its disk, or restore it")

    def sweep(self) -> None:
        """Remove unfinished files that a crash has left."""
        for path in files_below(self._root / self._station, "*.part"):
            with _told(path):
                path.unlink(missing_ok=True)

    def _keep_day(self, day: int) -> None:
        before = self._path_of(day)
        folder = self._root / self._station / str(np.datetime64(day, "us").astype("M8[Y]"))
        blocks = self._blocks_on(day)
        channels = sorted({c for b in blocks for c in b["channels"]} | self._archived_channels(day))
        file = write_day(folder, self._station, day, channels, self._parts_of(day, channels))
        row = listed(file, self._root)
        with self._store.writing() as connection:
            rest = [part for b in blocks for part in self._outside(connection, b, day)]
            remove_blocks(connection, self._station, [b["sequence"] for b in blocks])
            append_blocks(connection, self._station, rest)
            insert_rows(connection, archive_days, [row], self._station, "replace")
        if before not in {None, row["path"]}:
            self._unlink(str(before))

    def _parts_of(self, day: int, channels: list[str]) -> Iterator[tuple[Micros, list[Floats]]]:
        for first in range(day, day + DAY, _PART_US):
            found = self._journal.read(channels, first, first + _PART_US - 1)
            series = [found[c].filled() for c in channels]
            times = np.unique(np.concatenate([np.empty(0, np.int64), *(s.times for s in series)]))
            columns = []
            for s in series:
                column = np.full(len(times), np.nan)
                column[np.searchsorted(times, s.times)] = s.values
                columns.append(column)
            yield times, columns

    def _outside(self, connection: Any, block: dict[str, Any], day: int) -> Iterator[Block]:
        """The parts of a block that lie before and after a day."""
        if block["first_us"] >= day and block["last_us"] < day + DAY:
            return
        t = journal_blocks.c
        number = block["sequence"]
        data, digest = connection.execute(
            select(t.data, t.digest).where(t.station == self._station, t.sequence == number)
        ).one()
        times, columns = decode(check_block(number, bytes(data), digest))
        values = np.column_stack(list(columns.values()))
        for part in (times < day, times >= day + DAY):
            if part.any():
                yield encode(block["source"], tuple(columns), times[part], values[part])

    def _blocks_on(self, day: int) -> list[dict[str, Any]]:
        t = journal_blocks.c
        query = select(t.sequence, t.source, t.first_us, t.last_us, t.channels).where(
            t.station == self._station, t.first_us < day + DAY, t.last_us >= day
        )
        with self._store.reading() as connection:
            rows = connection.execute(query.order_by(t.sequence)).mappings().all()
        return [{**row, "channels": json.loads(row["channels"])} for row in rows]

    def _days_with_blocks(self) -> list[int]:
        t = journal_blocks.c
        query = select(t.first_us, t.last_us).where(t.station == self._station)
        days: set[int] = set()
        with self._store.reading() as connection:
            for first, last in connection.execute(query):
                days.update(range(first // DAY, last // DAY + 1))
        return sorted(day * DAY for day in days)

    def _path_of(self, day: int) -> str | None:
        d = archive_days.c
        query = select(d.path).where(d.station == self._station, d.day_us == day)
        with self._store.reading() as connection:
            return connection.execute(query).scalar()

    def _archived_channels(self, day: int) -> set[str]:
        d = archive_days.c
        query = select(d.channels).where(
            d.station == self._station, d.day_us == day, d.removed == 0
        )
        with self._store.reading() as connection:
            found = connection.execute(query).scalar()
        return set() if found is None else set(json.loads(found))

    def _unlink(self, path: str) -> None:
        (self._root / path).unlink(missing_ok=True)


@contextmanager
def _told(file: Path) -> Iterator[None]:
    """What the disk refuses, as an error of the store."""
    try:
        yield
    except OSError as error:
        raise StoreError(f"{file}: {error.strerror}; allow writing there") from None


def listed(file: DayFile, root: Path) -> dict[str, Any]:
    """A day's file as a row of the manifest; ``root`` is the folder of the archive."""
    return {
        "day_us": file.day_us,
        "path": file.path.relative_to(root).as_posix(),
        "rows": file.rows,
        "records": file.total,
        "channels": json.dumps(sorted(file.records)),
        "bytes": file.bytes,
        "sha256": file.sha256,
        "removed": 0,
        "first_us": min(first for first, _, _ in file.records.values()),
        "last_us": max(last for _, last, _ in file.records.values()),
    }


def files_below(folder: Path, pattern: str) -> list[Path]:
    """Files of a folder and of those in it, by name."""
    return sorted(p for p in folder.rglob(pattern) if p.is_file()) if folder.is_dir() else []
