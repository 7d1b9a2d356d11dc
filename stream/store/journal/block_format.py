"""What a block of the journal looks like: Arrow columns, compressed, known by a checksum."""

import hashlib
from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from stream.errors import RecordsDamaged
from stream.store.results.changes import Block

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
