"""What is stored around a moment: from where a lid or a selector need be read again."""

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Select, select

from stream.store.connect import Store
from stream.store.schema import clock_events, closures, standard_visits

_LOOK_BACK = 50
"""Closures that are looked at for one that ended plainly."""


class AnchorReader:
    """Finds settled moments of one station."""

    def __init__(self, store: Store, station: str) -> None:
        self._store = store
        self._station = station

    def last_opening(self, chamber: str, before_us: int) -> tuple[int, int] | None:
        """The last closure that was seen to open before a moment: (closed, opened) [µs]."""
        over = self._back_from(chamber, before_us).where(closures.c.opened_us < before_us)
        query = over.limit(_LOOK_BACK)
        with self._store.reading() as connection:
            for closed, opened, flags in connection.execute(query):
                if "no_open_edge" not in flags.split():
                    return closed, opened
        return None

    def closures_before(
        self, chamber: str, before_us: int, open_after_us: int
    ) -> list[tuple[str, int, int]]:
        """Closures before one moment, still closed at another: (chamber, closed, opened).

        A lid's closures follow one another, so that looking back ends at the first that was
        over; what was stored before that costs nothing.
        """
        query = self._back_from(chamber, before_us)
        found: list[tuple[str, int, int]] = []
        seen = 0
        with self._store.reading() as connection:
            while True:
                rows = connection.execute(query.limit(_LOOK_BACK).offset(seen)).all()
                found += [(chamber, a, b) for a, b, _ in rows if b >= open_after_us]
                seen += len(rows)
                if len(rows) < _LOOK_BACK or rows[-1][1] < open_after_us:
                    return found[::-1]

    def closed_within(self, spans: Sequence[tuple[int, int]]) -> frozenset[tuple[str, int]]:
        """Closures that are stored of some times, as (chamber, closed) [µs]."""
        c = closures.c
        query = select(c.chamber, c.closed_us).where(
            c.station == self._station, c.current == 1, c.withdrawn == 0, c.revision > 0
        )
        found: set[tuple[str, int]] = set()
        for first, last in spans:
            with self._store.reading() as connection:
                rows = connection.execute(query.where(c.closed_us.between(first, last)))
                found.update((row[0], row[1]) for row in rows)
        return frozenset(found)

    def _back_from(self, chamber: str, before_us: int) -> Select[Any]:
        """Closed, opened and flags of what holds of a chamber, the latest first."""
        c = closures.c
        return (
            select(c.closed_us, c.opened_us, c.flags)
            .where(
                c.station == self._station,
                c.chamber == chamber,
                c.current == 1,
                c.withdrawn == 0,
                c.revision > 0,
                c.closed_us < before_us,
            )
            .order_by(c.closed_us.desc())
        )

    def last_standard(self, analyzer: str, before_us: int) -> int | None:
        """The end of the last standard visit that ended before a moment [µs]."""
        v = standard_visits.c
        query = (
            select(v.ended_us)
            .where(
                v.station == self._station,
                v.analyzer == analyzer,
                v.current == 1,
                v.withdrawn == 0,
                v.ended_us < before_us,
            )
            .order_by(v.started_us.desc())
            .limit(1)
        )
        with self._store.reading() as connection:
            row = connection.execute(query).first()
        return None if row is None else int(row[0])

    def clock_doubts(self, first_us: int, last_us: int) -> list[tuple[str, int, frozenset[str]]]:
        """Minutes between two moments [µs] in which a clock is in doubt.

        Returns
        -------
        list of (kind, minute [µs], channels of the source)
        """
        e = clock_events.c
        query = (
            select(e.kind, e.at_us, e.channels)
            .where(e.station == self._station, e.at_us > first_us - 60_000_000, e.at_us <= last_us)
            .order_by(e.at_us, e.kind)
        )
        with self._store.reading() as connection:
            return [
                (kind, at, frozenset(json.loads(channels)))
                for kind, at, channels in connection.execute(query)
            ]
