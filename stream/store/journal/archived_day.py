"""One day of records as a Parquet file that appears whole or not at all."""

import hashlib
import json
import os
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from stream.errors import StoreError
from stream.store.results.changes import Records

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]

TIME: Final = "time_us"
"""Column of times: microseconds since 1970, UTC. The others are channels."""
_STATION: Final = b"lidstream.station"
_DAY: Final = b"lidstream.day_us"
_GROUPS: Final = b"lidstream.groups"
"""Which channels each row group holds: those that are recorded seldom stand in rows of their
own at the end, so that they cost what they hold and not the length of the day."""
_SELDOM: Final = 0.5
"""Share of its source's times that a channel may lack and still stand with the others."""

_trusted: set[tuple[Path, str]] = set()
"""Files whose checksum this process has seen to be right."""


@dataclass(frozen=True, slots=True)
class DayFile:
    """What was written."""

    path: Path
    day_us: int
    rows: int
    bytes: int
    sha256: str
    records: Records

    @property
    def total(self) -> int:
        """Number of records."""
        return sum(n for _, _, n in self.records.values())


def write_day(
    folder: Path,
    station: str,
    day_us: int,
    channels: list[str],
    parts: Iterable[tuple[Micros, list[Floats]]],
) -> DayFile:
    """Write a day's records; durable when this returns.

    Parameters
    ----------
    folder : Path
        Where to; it is made. The file is named by the day and its content, so that
        one database never writes over the file of another.
    station : str
        Kept inside the file, so that an archive can be told from another's.
    day_us : int
        Midnight UTC [µs].
    channels : list of str
        Columns.
    parts : iterable of (times [µs], values of each channel)
        In order of time; NaN where there is no record.

    Raises
    ------
    StoreError
        The disk is full or refuses.
    """
    schema = pa.schema(
        [(TIME, pa.int64()), *((c, pa.float64()) for c in channels)],
        metadata={_STATION: station.encode(), _DAY: str(day_us).encode()},
    )
    date = str(np.datetime64(day_us, "us").astype("M8[D]"))
    unfinished = folder / f"{date}.part"
    records: dict[str, tuple[int, int, int]] = {}
    rows = 0
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o770)
        with (
            os.fdopen(os.open(unfinished, os.O_CREAT | os.O_TRUNC | os.O_RDWR, 0o660), "wb") as out,
            pq.ParquetWriter(
                out,
                schema,
                compression="zstd",
                use_dictionary=channels,
                column_encoding={TIME: "DELTA_BINARY_PACKED"},
            ) as writer,
        ):
            sparse: list[tuple[Micros, list[Floats]]] = []
            groups: list[list[str]] = []
            for times, columns in parts:
                if not len(times):
                    continue
                for channel, values in zip(channels, columns, strict=True):
                    count_records(records, channel, times[~np.isnan(values)])
                dense = [_is_dense(values) for values in columns]
                sparse.append(_chosen(times, columns, [not d for d in dense]))
                rows += _write(writer, schema, *_chosen(times, columns, dense), groups)
            if sparse:
                times = np.concatenate([t for t, _ in sparse])
                columns = [np.concatenate(c) for c in zip(*(c for _, c in sparse), strict=True)]
                rows += _write(writer, schema, times, columns, groups)
            writer.add_key_value_metadata({_GROUPS: json.dumps(groups).encode()})
            writer.close()
            out.flush()
            os.fsync(out.fileno())
        size, digest = unfinished.stat().st_size, _sha256(unfinished)
        path = folder / f"{date}-{digest[:12]}.parquet"
        unfinished.replace(path)
        _sync_folder(folder)
    except OSError as error:
        with suppress(OSError):  # on a disk that is read-only that is refused too
            unfinished.unlink(missing_ok=True)
        raise StoreError(f"{folder}: the archive cannot be written: {error.strerror}") from None
    return DayFile(path, day_us, rows, size, digest, records)


def _is_dense(values: Floats) -> bool:
    """Whether a channel was recorded at most times of its source."""
    return bool(np.count_nonzero(np.isnan(values)) <= _SELDOM * len(values))


def _chosen(
    times: Micros, columns: list[Floats], chosen: list[bool]
) -> tuple[Micros, list[Floats]]:
    """The chosen columns, the others empty, in the rows that hold something."""
    kept = [
        values if take else np.full(len(times), np.nan)
        for values, take in zip(columns, chosen, strict=True)
    ]
    there = np.zeros(len(times), dtype=bool)
    for values, take in zip(columns, chosen, strict=True):
        if take:
            there |= ~np.isnan(values)
    return times[there], [values[there] for values in kept]


def _write(
    writer: pq.ParquetWriter,
    schema: pa.Schema,
    times: Micros,
    columns: list[Floats],
    groups: list[list[str]],
) -> int:
    """Write a row group, and remember which channels it holds; the number of its rows."""
    if len(times):
        arrays = [pa.array(values, mask=np.isnan(values)) for values in columns]
        writer.write_batch(pa.record_batch([pa.array(times), *arrays], schema=schema))
        names = schema.names[1:]
        groups.append([n for n, a in zip(names, arrays, strict=True) if a.null_count < len(times)])
    return len(times)


def count_records(records: dict[str, tuple[int, int, int]], channel: str, times: Micros) -> None:
    """Add records at ``times`` [µs], in order, to what is counted of a channel."""
    if not len(times):
        return
    first, last, n = records.get(channel, (int(times[0]), int(times[-1]), 0))
    records[channel] = min(first, int(times[0])), max(last, int(times[-1])), n + len(times)


Columns = tuple[Micros, dict[str, Floats]]
"""Times, and channels that were recorded at them; NaN where one was not."""


def read_day(path: Path, sha256: str, channels: set[str]) -> list[Columns]:
    """Some columns of an archived day; its checksum is verified once a process.

    Returns
    -------
    list of (times, columns)
        Channels that are recorded seldom stand by themselves, without NaN, so that nobody
        carries a day of nothing about; all others share their times.

    Raises
    ------
    StoreError
        The file is gone or damaged.
    """
    try:
        if (path, sha256) not in _trusted:
            if _sha256(path) != sha256:
                raise StoreError(
                    f"{path}: not the archived day that the database knows (its checksum differs);"
                    " restore a copy"
                )
            _trusted.add((path, sha256))
        with pq.ParquetFile(path) as file:
            tables = list(_tables(file, channels))
    except FileNotFoundError:
        raise StoreError(
            f"{path}: this day of the archive is gone; restore it, or correct archive.path"
        ) from None
    except (OSError, pa.ArrowException) as error:
        raise StoreError(f"{path}: this day of the archive cannot be read: {error}") from None
    return [columns for table in tables for columns in _columns_of(table)]


def _tables(file: pq.ParquetFile, channels: set[str]) -> Iterator[pa.Table]:
    """Stretches of a file in which some of the channels stand, with these alone."""
    stored = (file.metadata.metadata or {}).get(_GROUPS)
    groups = [sorted(channels)] * file.num_row_groups
    if stored is not None:
        groups = [sorted(channels & set(names)) for names in json.loads(stored)]
        if len(groups) != file.num_row_groups:
            raise ValueError("its row groups are not those that it speaks of")
    for names, numbers in groupby(range(len(groups)), key=groups.__getitem__):
        if names:
            # One thread: many days are read at once, by many processes.
            yield file.read_row_groups([*numbers], [TIME, *names], use_threads=False)


def _columns_of(table: pa.Table) -> list[Columns]:
    table = table.combine_chunks()
    if not table.num_rows:
        return []
    columns = {name: table.column(name).chunk(0) for name in table.schema.names}
    times = columns.pop(TIME).to_numpy()
    often: dict[str, Floats] = {}
    seldom: list[tuple[_There, dict[str, Floats]]] = []
    for name, column in columns.items():
        if column.null_count <= _SELDOM * len(times):
            often[name] = column.to_numpy(zero_copy_only=False)
            continue
        there = next((known for known, _ in seldom if known.is_of(column)), None)
        if there is None:
            there = _There(column)
            seldom.append((there, {}))
        next(group for known, group in seldom if known is there)[name] = there.values(column)
    found = [(times[there.rows], group) for there, group in seldom]
    return [(times, often), *found] if often else found


class _There:
    """The rows in which a channel was recorded, and in which others may have been too."""

    def __init__(self, column: pa.DoubleArray) -> None:
        self._bits = column.buffers()[0]
        self._offset = column.offset
        self.rows = np.flatnonzero(column.is_valid().to_numpy(zero_copy_only=False))

    def is_of(self, column: pa.DoubleArray) -> bool:
        """Whether another channel was recorded in the same rows; no when in doubt."""
        return bool(column.offset == self._offset and self._bits.equals(column.buffers()[0]))

    def values(self, column: pa.DoubleArray) -> Floats:
        """A channel in these rows."""
        every = np.frombuffer(column.buffers()[1], dtype=np.float64)
        return np.asarray(every[column.offset + self.rows])


def look_at_day(path: Path) -> tuple[str, DayFile]:
    """The station of an archived day, and its file as it was written.

    Raises
    ------
    StoreError
        It is no day of an archive.
    """
    records: dict[str, tuple[int, int, int]] = {}
    rows = 0
    try:
        with pq.ParquetFile(path) as file:
            about = file.schema_arrow.metadata or {}
            station, day = about[_STATION].decode(), int(about[_DAY])
            for table in _tables(file, set(file.schema_arrow.names) - {TIME}):
                times = table.column(TIME).to_numpy()
                rows += len(times)
                for channel in table.schema.names[1:]:
                    there = times[~np.isnan(table.column(channel).to_numpy())]
                    count_records(records, channel, np.sort(there, kind="stable"))
    except (OSError, pa.ArrowException, KeyError, ValueError, TypeError) as error:
        raise StoreError(f"{path}: no day of a lidstream archive: {error}") from None
    size = path.stat().st_size
    return station, DayFile(path, day, rows, size, _sha256(path), records)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _sync_folder(folder: Path) -> None:
    """Make a new name durable, where folders can be synchronised."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
