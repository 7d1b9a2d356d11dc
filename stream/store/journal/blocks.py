"""Blocks of the journal as rows: appending them, and what each channel holds in all."""

import json
from collections.abc import Sequence
from typing import Final

from sqlalchemy import Connection, delete, func, select

from stream.store.results.bulk import insert_rows
from stream.store.results.changes import Block, Records
from stream.store.schema import journal_blocks, journal_channels

_SOURCE_CHARACTERS: Final = 500


def append_blocks(connection: Connection, station: str, blocks: Sequence[Block]) -> None:
    """Put blocks behind those that are there."""
    t = journal_blocks
    last = connection.execute(select(func.max(t.c.sequence)).where(t.c.station == station)).scalar()
    start = 0 if last is None else last + 1
    rows = [
        {
            "sequence": start + i,
            "source": b.source[:_SOURCE_CHARACTERS],
            "first_us": b.first_us,
            "last_us": b.last_us,
            "rows": b.rows,
            "channels": json.dumps(b.channels),
            "digest": b.digest,
            "data": b.data,
        }
        for i, b in enumerate(blocks)
    ]
    insert_rows(connection, t, rows, station)


def remove_blocks(connection: Connection, station: str, sequences: Sequence[int]) -> None:
    """Take blocks away whose records have gone elsewhere."""
    t = journal_blocks
    connection.execute(delete(t).where(t.c.station == station, t.c.sequence.in_(sequences)))


def extend_channels(connection: Connection, station: str, records: Sequence[Records]) -> None:
    """Count records that have come."""
    c = journal_channels.c
    query = select(c.channel, c.first_us, c.last_us, c.records).where(c.station == station)
    known = {row[0]: (row[1], row[2], row[3]) for row in connection.execute(query)}
    changed: dict[str, tuple[int, int, int]] = {}
    for one in records:
        for channel, (first, last, n) in one.items():
            before = changed.get(channel) or known.get(channel)
            if before is not None:
                first, last, n = min(first, before[0]), max(last, before[1]), n + before[2]
            changed[channel] = (first, last, n)
    rows = [
        {"channel": channel, "first_us": first, "last_us": last, "records": n}
        for channel, (first, last, n) in changed.items()
    ]
    insert_rows(connection, journal_channels, rows, station, "replace")
