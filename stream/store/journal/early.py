"""Records that were refused as ahead of a clock that nothing had confirmed."""

import json
from collections.abc import Collection
from dataclasses import dataclass

from sqlalchemy import delete, select

from stream.store.connect import Store
from stream.store.schema import early

_TOGETHER = 400


@dataclass(frozen=True, slots=True)
class EarlyRow:
    """One row of a source; times are [µs], ``arrived_us`` by the clock of that moment."""

    digest: str
    source: str
    at_us: int
    arrived_us: int
    cells: dict[str, float]


class Early:
    """Those of one station."""

    def __init__(self, store: Store, station: str) -> None:
        self._store = store
        self._station = station

    def waiting(self) -> list[EarlyRow]:
        """All of them, in the order in which they arrived."""
        query = (
            select(
                early.c.digest, early.c.source, early.c.at_us, early.c.arrived_us, early.c.content
            )
            .where(early.c.station == self._station)
            .order_by(early.c.arrived_us, early.c.at_us, early.c.digest)
        )
        with self._store.reading() as connection:
            return [
                EarlyRow(digest, source, at, arrived, json.loads(content))
                for digest, source, at, arrived, content in connection.execute(query)
            ]

    def forget(self, digests: Collection[str]) -> None:
        """Let them stay in quarantine for good: the clock was right."""
        keys = sorted(digests)
        for i in range(0, len(keys), _TOGETHER):
            with self._store.writing() as connection:
                connection.execute(
                    delete(early).where(
                        early.c.station == self._station,
                        early.c.digest.in_(keys[i : i + _TOGETHER]),
                    )
                )
