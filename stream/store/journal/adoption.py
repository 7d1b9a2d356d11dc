"""Files of the archive that the database does not know: of a lost database, or of days after
the backup that was put back.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import pyarrow as pa
from sqlalchemy import select

from stream.errors import StoreError
from stream.store.connect import Store
from stream.store.journal.archive import files_below, listed
from stream.store.journal.archived_day import DayFile, look_at_day
from stream.store.journal.blocks import extend_channels
from stream.store.journal.mending import SET_ASIDE, put_away
from stream.store.results.bulk import insert_rows
from stream.store.schema import archive_days, journal_blocks, unsettled
from stream.times import DAY

_NAME: Final = re.compile(r"^\d{4}-\d{2}-\d{2}-([0-9a-f]{12})\.parquet$")
"""A day and the beginning of its file's SHA-256."""


@dataclass(slots=True)
class Adopted:
    """What came of files that the database did not know.

    Attributes
    ----------
    days : int
        Days that are listed now; they are unsettled.
    to_take : list of DayFile
        Of days of which the database holds something: their records are to be taken one by
        one.
    damaged : list of Path
        Where files were put that are not what their names say.
    """

    days: int = 0
    to_take: list[DayFile] = field(default_factory=list)
    damaged: list[Path] = field(default_factory=list)


def adopt(store: Store, station: str, root: Path) -> Adopted:
    """Take up what lies in the archive of a station and is not listed.

    Parameters
    ----------
    store : Store
    station : str
    root : Path
        Folder of the archive.

    Returns
    -------
    Adopted
        A file that is no day of this station is left alone.
    """
    found = Adopted()
    known, held, gone = _known(store, station)
    newest: dict[int, DayFile] = {}
    for path in files_below(root / station, "*.parquet"):
        name = _NAME.match(path.name)
        if name is None or path.relative_to(root).as_posix() in known:
            continue
        try:
            owner, day = look_at_day(path)
        except StoreError:
            found.damaged.append(put_away(root, station, path))
            continue
        if not day.sha256.startswith(name[1]):
            found.damaged.append(put_away(root, station, path))
        elif owner != station or not day.records or day.day_us in gone:
            continue
        elif day.day_us in held:
            found.to_take.append(day)
        elif day.day_us not in newest or day.total > newest[day.day_us].total:
            if day.day_us in newest:
                found.to_take.append(newest[day.day_us])
            newest[day.day_us] = day
        else:
            found.to_take.append(day)
    if newest:
        days = [newest[day] for day in sorted(newest)]
        with store.writing() as connection:
            rows = [listed(day, root) for day in days]
            insert_rows(connection, archive_days, rows, station, "replace")
            extend_channels(connection, station, [d.records for d in days])
            insert_rows(connection, unsettled, list(_spans(days)), station, "replace")
    found.days = len(newest)
    # What reading all of it took is given back to the system.
    pa.default_memory_pool().release_unused()
    return found


def _known(store: Store, station: str) -> tuple[set[str], set[int], set[int]]:
    """Paths that are listed, days of which the database holds something, and days that have
    outlived their retention.
    """
    d, b = archive_days.c, journal_blocks.c
    with store.reading() as connection:
        rows = connection.execute(
            select(d.path, d.day_us, d.removed).where(d.station == station)
        ).all()
        spans = connection.execute(select(b.first_us, b.last_us).where(b.station == station)).all()
    paths = {path for path, _, removed in rows if removed != SET_ASIDE}
    held = {day for _, day, removed in rows if removed == 0}
    gone = {day for _, day, removed in rows if removed == 1}
    for first, last in spans:
        held.update(range(first // DAY * DAY, last + 1, DAY))
    return paths, held, gone


def _spans(days: list[DayFile]) -> Iterator[dict[str, int]]:
    """Spans of records, days that follow one another in one."""
    first = last = 0
    previous: int | None = None
    for day in days:
        a = min(f for f, _, _ in day.records.values())
        z = max(latest for _, latest, _ in day.records.values())
        if previous is not None and day.day_us - previous <= DAY:
            last = z
        else:
            if previous is not None:
                yield {"first_us": first, "last_us": last}
            first, last = a, z
        previous = day.day_us
    yield {"first_us": first, "last_us": last}
