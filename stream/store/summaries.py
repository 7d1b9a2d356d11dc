"""Days that were summed up, and what was said of them."""

import hashlib
import json
from collections.abc import Mapping
from datetime import date
from typing import Any

from sqlalchemy import Connection, func, select

from stream.store.connect import Store
from stream.store.results.bulk import insert_rows
from stream.store.schema import summaries


class Summaries:
    """The summaries of one station."""

    def __init__(self, store: Store, station: str) -> None:
        self._store = store
        self._station = station

    def last_day(self) -> date | None:
        """The last day that was summed up."""
        query = select(func.max(summaries.c.day)).where(summaries.c.station == self._station)
        with self._store.reading() as connection:
            found = connection.execute(query).scalar()
        return None if found is None else date.fromisoformat(found)

    def between(self, first: date, last: date) -> list[dict[str, Any]]:
        """Rows of the days from one to another, both included; ``content`` as read from JSON."""
        s = summaries.c
        query = (
            select(s.day, s.made_us, s.digest, s.content)
            .where(s.station == self._station, s.day >= str(first), s.day <= str(last))
            .order_by(s.day)
        )
        with self._store.reading() as connection:
            rows = [dict(r) for r in connection.execute(query).mappings()]
        return [{**r, "content": json.loads(r["content"])} for r in rows]

    def get(self, day: date) -> dict[str, Any] | None:
        """The row of one day."""
        return next(iter(self.between(day, day)), None)

    def days(self) -> list[str]:
        """Every day that was summed up, in order."""
        query = select(summaries.c.day).where(summaries.c.station == self._station)
        with self._store.reading() as connection:
            return list(connection.execute(query.order_by(summaries.c.day)).scalars())

    def put(self, day: date, content: Mapping[str, Any], made_us: int) -> None:
        """Keep a summary; a later one of the same day takes its place."""
        with self._store.writing() as connection:
            put_summary(connection, self._station, day, content, made_us)


def put_summary(
    connection: Connection, station: str, day: date, content: Mapping[str, Any], made_us: int
) -> None:
    """Keep a summary in the transaction of ``connection``."""
    row = {
        "day": str(day),
        "made_us": made_us,
        "digest": digest_of(content),
        "content": json.dumps(content, ensure_ascii=False),
    }
    insert_rows(connection, summaries, [row], station, "replace")


def digest_of(content: Mapping[str, Any]) -> str:
    """Digest of what a summary says of its day; what it says of the computer at the time of
    writing is left out, so that the same day summed up twice has the same.
    """
    lasting = {k: v for k, v in content.items() if k != "machine"}
    text = json.dumps(lasting, sort_keys=True, ensure_ascii=False)
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()
