"""The journal: every record ever taken, in compressed blocks, and how to read it back."""

import hashlib
import json
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from sqlalchemy import select

from stream.store.changes import Block
from stream.store.connect import Store
from stream.store.schema import journal_blocks, journal_channels, unsettled

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]

_CACHE_BYTES: Final = 96 * 1024 * 1024
_TIME: Final = "\0time"


@dataclass(frozen=True, slots=True)
class Series:
    """Records of one channel in order of time.

    ``values`` may hold NaN where other channels of the same source have a record;
    channels of one source share the very same ``times`` object.
    """

    times: Micros
    values: Floats

    def filled(self) -> "Series":
        """Without the NaN."""
        good = ~np.isnan(self.values)
        return self if good.all() else Series(self.times[good], self.values[good])


def encode(source: str, channels: tuple[str, ...], times: Micros, values: Floats) -> Block:
    """Records as a block: Arrow columns, compressed.

    Parameters
    ----------
    source : str
        Where they came from.
    channels : tuple of str
        Columns.
    times : ndarray of int64, shape (n,)
        Strictly increasing, at least one [µs].
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
        digest=hashlib.blake2b(data, digest_size=16).hexdigest(),
        records=records,
    )


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


class Journal:
    """Reads the records of one station."""

    def __init__(self, store: Store, station: str) -> None:
        self._store = store
        self._station = station
        self._cache: OrderedDict[int, tuple[Micros, dict[str, Floats]]] = OrderedDict()
        self._cached = 0

    def extent(self) -> dict[str, tuple[int, int, int]]:
        """Channel → first and last record [µs] and how many there are."""
        t = journal_channels
        with self._store.reading() as connection:
            rows = connection.execute(
                select(t.c.channel, t.c.first_us, t.c.last_us, t.c.records).where(
                    t.c.station == self._station
                )
            ).all()
        return {row[0]: (row[1], row[2], row[3]) for row in rows}

    def unsettled(self) -> list[tuple[int, int]]:
        """Spans of records [µs] that no result speaks for yet, in order."""
        with self._store.reading() as connection:
            rows = connection.execute(
                select(unsettled.c.first_us, unsettled.c.last_us)
                .where(unsettled.c.station == self._station)
                .order_by(unsettled.c.first_us)
            ).all()
        return [(row[0], row[1]) for row in rows]

    def read(self, channels: Iterable[str], first_us: int, last_us: int) -> dict[str, Series]:
        """Records of some channels between two moments, both included.

        Parameters
        ----------
        channels : iterable of str
            Which channels.
        first_us, last_us : int
            [µs since 1970]

        Returns
        -------
        dict of str to Series
            A channel without records has an empty series.
        """
        wanted = set(channels)
        layouts: dict[frozenset[str], list[tuple[Micros, dict[str, Floats]]]] = {}
        for sequence, held in self._blocks_between(first_us, last_us):
            shared = wanted & set(held)
            if not shared:
                continue
            times, columns = self._block(sequence, shared)
            a, b = np.searchsorted(times, (first_us, last_us + 1))
            if a < b:
                part = times[a:b], {c: columns[c][a:b] for c in shared}
                layouts.setdefault(frozenset(held), []).append(part)
        pieces: dict[str, list[Series]] = {channel: [] for channel in wanted}
        for parts in layouts.values():
            times = _join([p[0] for p in parts])
            order = None
            if len(times) > 1 and not (times[1:] >= times[:-1]).all():
                order = np.argsort(times, kind="stable")
                times = times[order]
            for channel in parts[0][1]:
                values = _join([p[1][channel] for p in parts])
                pieces[channel].append(Series(times, values if order is None else values[order]))
        return {channel: _merge(found) for channel, found in pieces.items()}

    def _blocks_between(self, first_us: int, last_us: int) -> list[tuple[int, list[str]]]:
        t = journal_blocks
        with self._store.reading() as connection:
            rows = connection.execute(
                select(t.c.sequence, t.c.channels)
                .where(
                    t.c.station == self._station, t.c.first_us <= last_us, t.c.last_us >= first_us
                )
                .order_by(t.c.sequence)
            ).all()
        return [(row[0], json.loads(row[1])) for row in rows]

    def _block(self, sequence: int, channels: set[str]) -> tuple[Micros, dict[str, Floats]]:
        held = self._cache.get(sequence)
        if held is not None and channels <= set(held[1]):
            self._cache.move_to_end(sequence)
            return held
        t = journal_blocks
        with self._store.reading() as connection:
            data = connection.execute(
                select(t.c.data).where(t.c.station == self._station, t.c.sequence == sequence)
            ).scalar_one()
        block = decode(bytes(data), channels | set(held[1] if held else ()))
        if held is not None:
            self._cached -= _size(held)
        self._cache[sequence] = block
        self._cache.move_to_end(sequence)
        self._cached += _size(block)
        while self._cached > _CACHE_BYTES and len(self._cache) > 1:
            _, old = self._cache.popitem(last=False)
            self._cached -= _size(old)
        return block


def _size(block: tuple[Micros, dict[str, Floats]]) -> int:
    return block[0].nbytes + sum(v.nbytes for v in block[1].values())


def _join(parts: list[NDArray[Any]]) -> NDArray[Any]:
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def _merge(found: list[Series]) -> Series:
    """One series from several layouts; no two hold a record of the same time."""
    if not found:
        return Series(np.empty(0, np.int64), np.empty(0))
    if len(found) == 1:
        return found[0]
    filled = [s.filled() for s in found]
    times = np.concatenate([s.times for s in filled])
    values = np.concatenate([s.values for s in filled])
    order = np.argsort(times, kind="stable")
    return Series(times[order], values[order])
