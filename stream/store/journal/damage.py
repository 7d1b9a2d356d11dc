"""A damaged SQLite file: noticed at the start, set aside whole, never overwritten."""

import sqlite3
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from sqlalchemy.engine import make_url

from stream.errors import StoreDamaged

_CHECK_BELOW: Final = 2 * 1024**3
"""Files up to this size are checked at each start [bytes]; a larger one takes minutes."""


def check_intact(url: str) -> None:
    """Look through an SQLite file.

    Raises
    ------
    StoreDamaged
        It is not intact.
    """
    path = _file_of(url)
    if path is None or not path.exists() or not 0 < path.stat().st_size < _CHECK_BELOW:
        return
    try:
        connection = sqlite3.connect(path, timeout=30)
        try:
            (found,) = connection.execute("PRAGMA quick_check(1)").fetchone()
        finally:
            connection.close()
    except sqlite3.DatabaseError as error:
        if isinstance(error, sqlite3.OperationalError):
            return  # locked, or not to be opened: no sign of damage
        found = str(error)
    if found != "ok":
        raise StoreDamaged(f"{path}: not an intact database ({found})")


def set_aside(url: str) -> Path:
    """Move a damaged SQLite file, with what belongs to it, out of the way.

    Returns
    -------
    Path
        Where it lies now.
    """
    path = _file_of(url)
    if path is None:
        raise StoreDamaged("a server's database cannot be set aside; restore it from a copy")
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    aside = path.with_name(f"{path.name}.damaged-{stamp}")
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}.damaged-{stamp}-{number}")
    if not path.exists():
        return path  # deleted: there is nothing to keep
    path.rename(aside)
    for ending in ("-wal", "-shm"):
        beside = path.with_name(path.name + ending)
        if beside.exists():
            beside.rename(aside.with_name(aside.name + ending))
    return aside


def _file_of(url: str) -> Path | None:
    parsed = make_url(url)
    if parsed.get_backend_name() != "sqlite" or not parsed.database:
        return None
    return Path(parsed.database)
