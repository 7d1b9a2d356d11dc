"""One more closure costs the same, however much is stored."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from small import own_line_stream, part
from sqlalchemy import event, text

from stream.compute.replay import Pipeline
from stream.station import StationFile
from stream.store import Store
from stream.times import SECOND

Make = Callable[..., StationFile]
OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]
YEARS = 40
"""Of closures every three hours, before those that are settled."""


@contextmanager
def steps(store: Store) -> Iterator[list[int]]:
    """How many instructions SQLite's machine runs meanwhile, in tens."""
    count = [0]

    def one() -> int:
        count[0] += 1
        return 0

    @event.listens_for(store.engine, "checkout")
    def _watch(connection: Any, *_: object) -> None:
        connection.set_progress_handler(one, 10)

    try:
        yield count
    finally:
        event.remove(store.engine, "checkout", _watch)


def spread_back(store: Store, first: int, last: int) -> None:
    """The last that is stored, again and again, so many times three hours earlier."""
    with store.writing() as connection:
        newest = connection.execute(text("SELECT max(closed_us) FROM closures WHERE revision > 0"))
        of = newest.scalar_one()
        for table, times in (
            ("closures", {"closed_us", "opened_us"}),
            ("fluxes", {"closed_us", "mid_us"}),
            ("gaps", {"due_us"}),
        ):
            names = [r[1] for r in connection.execute(text(f"PRAGMA table_info({table})"))]
            cells = ", ".join(f"{n} - k * 10800000000" if n in times else n for n in names)
            kept = "revision > 0 AND closed_us = :of"
            if table == "gaps":
                kept = "due_us = (SELECT max(due_us) FROM gaps)"
            connection.execute(
                text(
                    "WITH RECURSIVE n(k) AS (SELECT :a UNION ALL SELECT k + 1 FROM n WHERE k < :b)"
                    f" INSERT INTO {table} SELECT {cells} FROM {table}, n WHERE {kept}"
                ),
                {"a": first, "b": last, "of": of},
            )


def test_one_more_closure_does_not_look_at_the_years_before(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """Counted in SQLite's own instructions, not in time."""
    file = make_station()
    store, parts = open_parts(file, sqlite_url)
    batch = own_line_stream(hours=1.5)
    late = int(0.9 * len(batch))
    parts.intake.take(part(batch, slice(0, late)))
    parts.settlement.settle()

    def one_more() -> int:
        with store.writing() as connection:
            connection.execute(text("DELETE FROM unsettled"))
            connection.execute(
                text("INSERT INTO unsettled VALUES (:s, :a, :b)"),
                {"s": file.station.id, "a": int(batch.times[late]) - 600 * SECOND, "b": 2**61},
            )
        with steps(store) as count:
            parts.settlement.settle()
        return count[0]

    spread_back(store, 1, 100)
    one_more()
    before = one_more()
    spread_back(store, 101, YEARS * 365 * 8)
    with store.reading() as connection:
        stored = connection.execute(text("SELECT count(*) FROM closures")).scalar()
    assert stored is not None
    assert stored > 100_000
    after = one_more()
    assert before > 20
    assert after < 1.1 * before + 5
