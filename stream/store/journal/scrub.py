"""Looks through everything that is stored, a little at a time, for what has changed by itself."""

import hashlib
import json
import time
from pathlib import Path
from typing import Final

import pyarrow as pa
from sqlalchemy import select

from stream.errors import RecordsDamaged, StoreError
from stream.store.connect import Store
from stream.store.journal.blocks import check_block, decode
from stream.store.schema import archive_days, journal_blocks
from stream.store.station_data import Marks

_MARK: Final = "scrubbed up to"
_AT_ONCE: Final = 64


class Scrub:
    """Checks one station's journal round and round.

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
        self._marks = Marks(store, station)

    def look(self, seconds: float) -> bool:
        """Check for so long, from where the last look ended.

        Returns
        -------
        bool
            Whether the end was reached; the next look begins anew.

        Raises
        ------
        RecordsDamaged
            Something is not as it was stored. The next look goes on behind it.
        """
        until = time.monotonic() + seconds
        block, day = self._from()
        try:
            while block is not None and time.monotonic() < until:
                block = self._blocks_after(block)
                if block is None:
                    day = -(2**62)
            while block is None and day is not None and time.monotonic() < until:
                day = self._day_after(day)
        except RecordsDamaged as error:
            if isinstance(error.where, int):
                block = error.where
            raise
        finally:
            over = block is None and day is None
            self._marks.put(_MARK, json.dumps([-1, None] if over else [block, day]))
        return over

    def _from(self) -> tuple[int | None, int | None]:
        """Where the last look ended; the beginning where that cannot be read."""
        try:
            block, day = json.loads(self._marks.get(_MARK) or "")
        except (TypeError, ValueError):
            return -1, None
        sound = all(x is None or isinstance(x, int) for x in (block, day))
        return (block, day) if sound and (block, day) != (None, None) else (-1, None)

    def _blocks_after(self, sequence: int) -> int | None:
        """Check some blocks; the last of them, or None behind the last of all."""
        t = journal_blocks.c
        query = select(
            t.sequence, t.data, t.digest, t.first_us, t.last_us, t.rows, t.channels
        ).where(t.station == self._station, t.sequence > sequence)
        with self._store.reading() as connection:
            rows = connection.execute(query.order_by(t.sequence).limit(_AT_ONCE)).all()
        for number, data, digest, first, last, count, channels in rows:
            check_block(number, bytes(data), digest)
            try:
                times, columns = decode(bytes(data))
                same = (int(times[0]), int(times[-1]), len(times)) == (first, last, count)
                sound = same and list(columns) == json.loads(channels)
            except (pa.ArrowException, ValueError, IndexError):
                sound = False
            if not sound:
                raise RecordsDamaged(
                    f"block {number} of the records is damaged (it is not what is said of it)",
                    number,
                )
        return int(rows[-1][0]) if rows else None

    def _day_after(self, day_us: int) -> int | None:
        """Check a day of the archive; which, or None behind the last."""
        t = archive_days.c
        query = select(t.day_us, t.path, t.sha256).where(
            t.station == self._station, t.removed == 0, t.day_us > day_us
        )
        with self._store.reading() as connection:
            row = connection.execute(query.order_by(t.day_us).limit(1)).first()
        if row is None:
            return None
        try:
            with (self._root / row[1]).open("rb") as content:
                digest = hashlib.file_digest(content, "sha256").hexdigest()
        except OSError as error:
            if not (self._root / self._station).is_dir():
                raise StoreError(f"{self._root}: the archive is away; mount its disk") from None
            raise RecordsDamaged(
                f"{self._root / row[1]}: cannot be read: {error.strerror}", row[1]
            ) from None
        if digest != row[2]:
            raise RecordsDamaged(
                f"{self._root / row[1]}: this day of the archive is damaged (its checksum differs)",
                row[1],
            )
        return int(row[0])
