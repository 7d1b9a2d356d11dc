"""Damaged blocks and days of the journal: set aside, remembered, and asked for again."""

import hashlib
import json
from pathlib import Path
from typing import Final

from sqlalchemy import delete, select, update

from stream.errors import RecordsDamaged
from stream.store.connect import Store
from stream.store.journal.journal import Damage
from stream.store.results.bulk import insert_rows
from stream.store.schema import archive_days, damaged, journal_blocks

SET_ASIDE: Final = 2
"""In ``archive_days.removed``: of a day whose file is gone or damaged."""


class Mending:
    """Sees to what is damaged in one station's journal.

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
        """Take a block or a day out of the journal, so that all others can be read; its content is
        kept. Results that were worked out of it stay.

        Returns
        -------
        Damage or None
            None where it is no longer there, or sound after all.
        """
        if isinstance(error.where, int):
            return self._block(error.where, now_us)
        return self._day(error.where, now_us)

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
