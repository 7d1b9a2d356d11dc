"""Blocks of the journal: their bytes, their rows, and the stretches of time that they add up to.

A clock that was wrong for a moment dates a record years away. Gaps are not counted up to
it, and nothing waits for it: it stands by itself, wherever in a file it stood.
"""

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from sqlalchemy import Connection, delete, func, select

from stream.errors import RecordsDamaged
from stream.store.results.bulk import insert_rows
from stream.store.results.changes import Block, Records
from stream.store.schema import journal_blocks, journal_channels
from stream.times import DAY

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]

_TIME: Final = "\0time"


def encode(source: str, channels: tuple[str, ...], times: Micros, values: Floats) -> Block:
    """Records as a block: Arrow columns, compressed.

    Parameters
    ----------
    source : str
        Where they came from.
    channels : tuple of str
        Columns.
    times : ndarray of int64, shape (n,)
        In order, at least one [µs].
    values : ndarray, shape (n, channels)
        NaN where there is no record.
    """
    arrays = [pa.array(times)]
    arrays += [pa.array(values[:, j]) for j in range(len(channels))]
    table = pa.record_batch(arrays, names=[_TIME, *channels])
    sink = pa.BufferOutputStream()
    options = pa.ipc.IpcWriteOptions(compression=pa.Codec("zstd", 1))
    with pa.ipc.new_stream(sink, table.schema, options=options) as writer:
        writer.write_batch(table)
    data = sink.getvalue().to_pybytes()
    records: dict[str, tuple[int, int, int]] = {}
    for j, channel in enumerate(channels):
        there = ~np.isnan(values[:, j])
        count = int(np.count_nonzero(there))
        if count:
            first, last = int(np.argmax(there)), len(there) - 1 - int(np.argmax(there[::-1]))
            records[channel] = (int(times[first]), int(times[last]), count)
    return Block(
        source=source,
        first_us=int(times[0]),
        last_us=int(times[-1]),
        rows=len(times),
        channels=channels,
        data=data,
        digest=digest_of_block(data),
        records=records,
    )


def digest_of_block(data: bytes) -> str:
    """What a block is known by."""
    return hashlib.blake2b(data, digest_size=16).hexdigest()


def check_block(sequence: int, data: bytes, digest: str) -> bytes:
    """A block as it was stored.

    Raises
    ------
    RecordsDamaged
        It is another now.
    """
    if digest_of_block(data) != digest:
        raise RecordsDamaged(
            f"block {sequence} of the records is damaged (its checksum differs)", sequence
        )
    return data


def decode(data: bytes, channels: set[str] | None = None) -> tuple[Micros, dict[str, Floats]]:
    """Times and columns of a block; only the named columns are decompressed."""
    buffer = pa.py_buffer(data)
    names = pa.ipc.open_stream(buffer).schema.names
    kept = [j for j, name in enumerate(names) if j == 0 or channels is None or name in channels]
    options = pa.ipc.IpcReadOptions(included_fields=kept)
    table = pa.ipc.open_stream(buffer, options=options).read_next_batch()
    times = table.column(0).to_numpy()
    columns = {
        name: table.column(j).to_numpy() for j, name in enumerate(table.schema.names) if j > 0
    }
    return times, columns


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


_APART_US: Final = DAY
"""Records farther apart than this are not neighbours."""
_FEW_ROWS: Final = 20
"""Fewer rows than this without a neighbour are strays."""
_LONGEST_OUTAGE_US: Final = 366 * DAY
"""After a longer silence a station begins anew."""


@dataclass(frozen=True, slots=True)
class Span:
    """Some rows of records, from the first to the last [µs]."""

    first_us: int
    last_us: int
    rows: int


@dataclass(frozen=True, slots=True)
class Stretches:
    """What a station's records add up to.

    Attributes
    ----------
    at_work : list of Span
        In order; outages of up to a year lie within a stretch.
    strays : list of Span
        Few rows, over a day from all others and outside of every stretch.
    """

    at_work: list[Span]
    strays: list[Span]

    @property
    def newest_us(self) -> int | None:
        """The last record that does not stray [µs]."""
        found = self.worked_out()
        return found[-1].last_us if found else None

    def newest_by(self, now_us: int) -> int | None:
        """The last record that neither strays nor lies after a moment [µs]."""
        begun = [s for s in self.worked_out() if s.first_us <= now_us]
        return min(begun[-1].last_us, now_us) if begun else None

    def worked_out(self) -> list[Span]:
        """The stretches that results are worked out of, in order; strays only where there is
        nothing else.
        """
        return self.at_work or self.strays


def stretches_of(parts: Iterable[tuple[int, int, int]]) -> Stretches:
    """Stretches of (first, last, rows) parts of a journal, in any order."""
    groups: list[Span] = []
    for first, last, rows in sorted(parts):
        if groups and first - groups[-1].last_us <= _APART_US:
            groups[-1] = _joined(groups[-1], Span(first, last, rows))
        else:
            groups.append(Span(first, last, rows))
    at_work: list[Span] = []
    for group in groups:
        if group.rows < _FEW_ROWS:
            continue
        if at_work and group.first_us - at_work[-1].last_us <= _LONGEST_OUTAGE_US:
            at_work[-1] = _joined(at_work[-1], group)
        else:
            at_work.append(group)
    strays = [
        g
        for g in groups
        if g.rows < _FEW_ROWS
        and not any(s.first_us <= g.first_us and g.last_us <= s.last_us for s in at_work)
    ]
    return Stretches(at_work, strays)


def _joined(a: Span, b: Span) -> Span:
    return Span(a.first_us, max(a.last_us, b.last_us), a.rows + b.rows)
