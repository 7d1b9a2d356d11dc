"""What settlement asks of stored results, and the one writer: a commit is whole, or not at all."""

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any, Final

from sqlalchemy import Connection, Select, Table, delete, select, tuple_, update

from stream.store.connect import Store
from stream.store.journal.blocks import append_blocks, extend_channels
from stream.store.results.bulk import Clash, insert_rows, insert_tuples
from stream.store.results.changes import Changes, Result, Row, Scope
from stream.store.results.flux_columns import forget_months
from stream.store.schema import (
    PROVISIONAL,
    clock_events,
    closures,
    date_orders,
    early,
    fluxes,
    gaps,
    model_fits,
    positions,
    quarantine,
    standard_visits,
    station_files,
    unsettled,
    visits,
)
from stream.store.station_data import mark_taken, put_tables

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


_IDENTITY: Final[dict[str, tuple[Table, tuple[str, ...]]]] = {
    "closures": (closures, ("chamber", "closed_us")),
    "gaps": (gaps, ("chamber", "due_us")),
    "standard_visits": (standard_visits, ("analyzer", "gas", "started_us")),
}
"""Kind of result → its table and the columns of its identity: where first, when last."""

_CHILDREN: Final = {"fluxes": fluxes, "model_fits": model_fits, "visits": visits}
_BATCH: Final = 400


class Written(Counter[tuple[str, str]]):
    """How many (what, how) a commit changed: ``("closures", "new")``, ``"revised"``,
    ``"withdrawn"``; ``("quarantine", "new")``."""


class Writer:
    """Writes for one station. One writer at a time; the database sees to that."""

    def __init__(self, store: Store, station: str) -> None:
        self._store = store
        self._station = station

    def commit(self, changes: Changes) -> Written:
        """Write everything in one transaction.

        Returns
        -------
        Written
            What it changed.

        Raises
        ------
        StoreError
            The database refuses; nothing was written.
        """
        written = Written()
        with self._store.writing() as connection:
            if changes.station_digest:
                self._put(
                    connection,
                    station_files,
                    [{"digest": changes.station_digest, "content": changes.station_content}],
                    "keep",
                )
            if changes.blocks:
                append_blocks(connection, self._station, changes.blocks)
                extend_channels(connection, self._station, [b.records for b in changes.blocks])
            refused = self._put(connection, quarantine, changes.rejects, "keep")
            written["quarantine", "new"] += refused
            self._put(connection, early, changes.early, "keep")
            for i in range(0, len(changes.early_taken), _BATCH):
                keys = changes.early_taken[i : i + _BATCH]
                for table in (early, quarantine):
                    mine = table.c.station == self._station, table.c.digest.in_(keys)
                    connection.execute(delete(table).where(*mine))
            self._put(connection, clock_events, changes.clock_events, "keep")
            self._put(connection, positions, changes.positions, "replace")
            self._put(connection, date_orders, changes.date_orders, "keep")
            if changes.hand_tables:
                put_tables(connection, self._station, changes.hand_tables)
            if changes.notes_taken:
                mark_taken(connection, self._station, changes.notes_taken)
            if changes.provisional:
                connection.execute(
                    delete(closures).where(
                        closures.c.station == self._station,
                        PROVISIONAL,
                        closures.c.chamber.in_(changes.provisional),
                    )
                )
            self._revise(connection, changes, written)
            pending = [r for results in changes.provisional.values() for r in results]
            self._insert(connection, changes, [(r, 0, 1, 0) for r in pending])
            if changes.unsettled is not None:
                connection.execute(delete(unsettled).where(unsettled.c.station == self._station))
                self._put(
                    connection,
                    unsettled,
                    [{"first_us": a, "last_us": b} for a, b in changes.unsettled],
                )
        return written

    def _revise(self, connection: Connection, changes: Changes, written: Written) -> None:
        """New revisions of what differs; withdrawal of what is no longer found."""
        found = self._current(connection, changes)
        rows: list[tuple[Result, int, int, int]] = []
        superseded: dict[str, list[tuple[Any, ...]]] = {}
        for result in changes.results:
            before = found.pop((result.kind, result.identity), None)
            if before is None:
                written[result.kind, "new"] += 1
                rows.append((result, 1, 1, 0))
            elif (
                before["result_digest"] != result.digest
                or before["withdrawn"]
                or (changes.renew and _made_otherwise(before, changes))
            ):
                written[result.kind, "revised"] += 1
                superseded.setdefault(result.kind, []).append(result.identity)
                rows.append((result, before["revision"] + 1, 1, 0))
        for (kind, identity), before in found.items():
            if before["withdrawn"]:
                continue
            written[kind, "withdrawn"] += 1
            superseded.setdefault(kind, []).append(identity)
            table, columns = _IDENTITY[kind]
            hidden = {"station", "revision", "current", "withdrawn", "result_digest", *columns}
            hidden |= {"station_digest", "software_version"}
            row = {c.name: before[c.name] for c in table.columns if c.name not in hidden}
            gone = Result(kind, identity, row, "withdrawn")
            rows.append((gone, before["revision"] + 1, 1, 1))
        for kind, identities in superseded.items():
            self._supersede(connection, kind, identities)
        self._end_provisional(connection, [r.identity for r, *_ in rows if r.kind == "closures"])
        self._insert(connection, changes, rows)

    def _end_provisional(
        self, connection: Connection, identities: Sequence[tuple[Any, ...]]
    ) -> None:
        """A closure that is over has no provisional row beside its first revision: whoever reads
        between this commit and the last of a settlement would have it twice.
        """
        key = tuple_(closures.c.chamber, closures.c.closed_us)
        for i in range(0, len(identities), _BATCH):
            connection.execute(
                delete(closures).where(
                    closures.c.station == self._station,
                    PROVISIONAL,
                    key.in_(identities[i : i + _BATCH]),
                )
            )

    def _current(
        self, connection: Connection, changes: Changes
    ) -> dict[tuple[str, tuple[Any, ...]], dict[str, Any]]:
        """Newest revisions inside the stretches that the changes speak for."""
        found: dict[tuple[str, tuple[Any, ...]], dict[str, Any]] = {}
        for kind, (table, columns) in _IDENTITY.items():
            mine = [s for s in changes.scopes if s.kind == kind]
            if not mine:
                continue
            bounds: dict[str, list[Scope]] = {}
            for stretch in mine:
                bounds.setdefault(stretch.where, []).append(stretch)
            when = table.c[columns[-1]]
            query = select(table).where(
                table.c.station == self._station,
                table.c[columns[0]].in_(bounds),
                when >= min(s.first_us for s in mine),
                when < max(s.stop_us for s in mine),
                table.c.current == 1,
                table.c.revision > 0,
            )
            for row in connection.execute(query).mappings():
                at = row[columns[-1]]
                if any(s.first_us <= at < s.stop_us for s in bounds[row[columns[0]]]):
                    found[kind, tuple(row[c] for c in columns)] = dict(row)
        return found

    def _supersede(
        self, connection: Connection, kind: str, identities: Sequence[tuple[Any, ...]]
    ) -> None:
        table, columns = _IDENTITY[kind]
        key = tuple_(*(table.c[c] for c in columns))
        for i in range(0, len(identities), _BATCH):
            connection.execute(
                update(table)
                .where(
                    table.c.station == self._station,
                    table.c.current == 1,
                    key.in_(identities[i : i + _BATCH]),
                )
                .values(current=0)
            )

    def _insert(
        self,
        connection: Connection,
        changes: Changes,
        rows: Iterable[tuple[Result, int, int, int]],
    ) -> None:
        own: dict[str, list[Row]] = {}
        shapes: dict[tuple[str, tuple[str, ...]], list[tuple[Any, ...]]] = {}
        for result, revision, current, gone in rows:
            _, columns = _IDENTITY[result.kind]
            own.setdefault(result.kind, []).append(
                {
                    **dict(zip(columns, result.identity, strict=True)),
                    **result.row,
                    "revision": revision,
                    "current": current,
                    "withdrawn": gone,
                    "station_digest": changes.station_digest,
                    "software_version": changes.software_version,
                    "result_digest": result.digest,
                }
            )
            key = (self._station, *result.identity, revision)
            for name, children in result.children.items():
                shape = (name, ("station", *columns, "revision", *children.columns))
                shapes.setdefault(shape, []).extend([key + values for values in children.values])
        if "closures" in own:
            forget_months(connection, self._station, (r["closed_us"] for r in own["closures"]))
        for kind, mine in own.items():
            self._put(connection, _IDENTITY[kind][0], mine)
        for (name, columns), values in shapes.items():
            insert_tuples(connection, _CHILDREN[name], columns, values)

    def _put(
        self,
        connection: Connection,
        table: Table,
        rows: Sequence[Row],
        clash: Clash = "refuse",
    ) -> int:
        return insert_rows(connection, table, rows, self._station, clash)


def _made_otherwise(before: Row, changes: Changes) -> bool:
    """Whether a stored result came of another station file or software version."""
    return bool(
        before["station_digest"] != changes.station_digest
        or before["software_version"] != changes.software_version
    )
