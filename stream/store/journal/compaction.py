"""Small blocks of the journal become larger ones, so that a second's commits do not add
up to a journal of crumbs. What is recorded stays the same to the bit.
"""

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select

from stream.store.connect import Store
from stream.store.journal.blocks import append_blocks, check_block, decode, encode, remove_blocks
from stream.store.results.changes import Block
from stream.store.schema import journal_blocks
from stream.times import DAY

TOGETHER: Final = 32
"""Blocks of like size that are merged into one."""
_LARGE: Final = TOGETHER**3


def compact(store: Store, station: str) -> int:
    """Merge blocks of one day and of like size wherever there are enough of them.

    Each record is written again at most three times, whatever the rate of commits.

    Returns
    -------
    int
        Number of blocks that were merged away.
    """
    t = journal_blocks.c
    query = select(t.sequence, t.first_us, t.last_us, t.rows).where(
        t.station == station, t.rows < _LARGE
    )
    merged = 0
    while True:
        groups: dict[tuple[int, int], list[int]] = {}
        with store.reading() as connection:
            for sequence, first, last, rows in connection.execute(query.order_by(t.sequence)):
                if first // DAY == last // DAY:
                    size = int(math.log(max(1, rows), TOGETHER))
                    groups.setdefault((first // DAY, size), []).append(sequence)
        full = [found for found in groups.values() if len(found) >= TOGETHER]
        if not full:
            return merged
        for sequences in full:
            with store.writing() as connection:
                rows = connection.execute(
                    select(t.source, t.data, t.sequence, t.digest)
                    .where(t.station == station, t.sequence.in_(sequences))
                    .order_by(t.sequence)
                ).all()
                remove_blocks(connection, station, sequences)
                append_blocks(connection, station, [_merge(rows)])
            merged += len(sequences) - 1


def _merge(rows: Sequence[Any]) -> Block:
    parts = [decode(check_block(number, bytes(data), known)) for _, data, number, known in rows]
    channels = tuple(sorted({c for _, columns in parts for c in columns}))
    times = np.concatenate([p[0] for p in parts])
    unique, place = np.unique(times, return_inverse=True)
    values = np.full((len(unique), len(channels)), np.nan, order="F")
    for j, channel in enumerate(channels):
        column = np.concatenate([_column(p, channel) for p in parts])
        there = ~np.isnan(column)
        values[place[there], j] = column[there]
    source = "; ".join(dict.fromkeys(name for row in rows for name in row[0].split("; ")))
    return encode(source, channels, unique, values)


def _column(
    part: tuple[NDArray[np.int64], dict[str, NDArray[np.float64]]], channel: str
) -> NDArray[np.float64]:
    found = part[1].get(channel)
    return np.full(len(part[0]), np.nan) if found is None else found
