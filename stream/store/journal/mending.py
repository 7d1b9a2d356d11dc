"""Pieces of the journal that are damaged: set aside, remembered, and asked for again."""

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from sqlalchemy import delete, select, update

from stream.errors import RecordsDamaged
from stream.store.connect import Store
from stream.store.journal.journal import Journal
from stream.store.results.bulk import insert_rows
from stream.store.schema import archive_days, damaged, journal_blocks

SET_ASIDE: Final = 2
"""In ``archive_days.removed``: of a day whose file is gone or damaged."""


@dataclass(frozen=True, slots=True)
class Damage:
    """A piece that was set aside.

    Attributes
    ----------
    piece : str
        Number of a block, or path of a day in the archive.
    first_us, last_us : int
        Its records lay between these [µs].
    rows : int
        How many times they had; for a day of the archive how many records it held.
    channels : list of str
    source : str
        Where they came from, as far as that is known.
    """

    piece: str
    first_us: int
    last_us: int
    rows: int
    channels: list[str]
    source: str

    @property
    def is_day(self) -> bool:
        """Whether it is a day of the archive."""
        return not self.piece.isdigit()


class Mending:
    """Sees to damaged pieces of one station's journal.

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

    def set_aside(self, error: RecordsDamaged, now_us: int) -> Damage | None:
        """Take a piece out of the journal, so that all others can be read; its content is
        kept. Results that were worked out of it stay.

        Returns
        -------
        Damage or None
            None where the piece is no longer there, or sound after all.
        """
        if isinstance(error.piece, int):
            return self._block(error.piece, now_us)
        return self._day(error.piece, now_us)

    def all(self) -> list[Damage]:
        """Every piece that was ever set aside, by time."""
        d = damaged.c
        query = select(d.piece, d.first_us, d.last_us, d.rows, d.channels, d.source)
        with self._store.reading() as connection:
            rows = connection.execute(
                query.where(d.station == self._station).order_by(d.first_us)
            ).all()
        return [Damage(*row[:4], json.loads(row[4]), row[5]) for row in rows]

    def lost(self, first_us: int, last_us: int, journal: Journal) -> list[Damage]:
        """Pieces with records between two moments [µs] that have not come again."""
        return [
            damage
            for damage in self.all()
            if damage.first_us <= last_us and damage.last_us >= first_us
            if _present(damage, journal) < damage.rows
        ]

    def _block(self, sequence: int, now_us: int) -> Damage | None:
        t = journal_blocks
        mine = (t.c.station == self._station) & (t.c.sequence == sequence)
        with self._store.writing() as connection:
            row = connection.execute(select(t).where(mine)).mappings().first()
            if row is None:
                return None
            found = Damage(
                str(sequence), row["first_us"], row["last_us"], row["rows"],
                json.loads(row["channels"]), row["source"],
            )  # fmt: skip
            self._note(connection, found, now_us, bytes(row["data"]))
            connection.execute(delete(t).where(mine))
        return found

    def _day(self, path: str, now_us: int) -> Damage | None:
        t = archive_days
        mine = (t.c.station == self._station) & (t.c.path == path) & (t.c.removed == 0)
        with self._store.reading() as connection:
            row = connection.execute(select(t).where(mine)).mappings().first()
        if row is None:
            return None
        file, readable = self._root / path, True
        try:
            with file.open("rb") as content:
                digest = hashlib.file_digest(content, "sha256").hexdigest()
        except OSError:
            digest, readable = "", False
        if digest == row["sha256"]:
            return None
        first = row["day_us"] if row["first_us"] is None else row["first_us"]
        last = row["day_us"] if row["last_us"] is None else row["last_us"]
        found = Damage(path, first, last, row["records"], json.loads(row["channels"]), "")
        with self._store.writing() as connection:
            self._note(connection, found, now_us, None)
            connection.execute(update(t).where(mine).values(removed=SET_ASIDE))
        if readable:
            put_away(self._root, self._station, file)
        return found

    def _note(self, connection: object, found: Damage, now_us: int, data: bytes | None) -> None:
        row = {
            "noted_us": now_us,
            "piece": found.piece,
            "first_us": found.first_us,
            "last_us": found.last_us,
            "rows": found.rows,
            "channels": json.dumps(found.channels),
            "source": found.source,
            "data": data,
        }
        insert_rows(connection, damaged, [row], self._station, "replace")  # type: ignore[arg-type]


def put_away(root: Path, station: str, file: Path) -> Path:
    """Move a damaged file of the archive out of the way; where it lies now, which is its old
    place where the disk cannot be written.
    """
    folder = root / "damaged" / station
    aside = folder / file.name
    number = 1
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o770)
        while aside.exists():
            number += 1
            aside = folder / f"{file.stem}-{number}{file.suffix}"
        file.replace(aside)
    except OSError:
        return file  # the journal does not list it any more, so it is in nobody's way
    return aside


def _present(damage: Damage, journal: Journal) -> int:
    """How many of a piece's times, or records, the journal holds now."""
    series = journal.read(damage.channels, damage.first_us, damage.last_us).values()
    filled = [s.filled().times for s in series]
    if damage.is_day:
        return sum(map(len, filled))
    return len(np.unique(np.concatenate([np.empty(0, np.int64), *filled])))
