"""Recorded files: what they are, what they hold, and their records in order."""

import gzip
import json
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path
from typing import BinaryIO, Final, cast

import numpy as np
import pyarrow as pa

from stream.errors import RecordError, SourceError
from stream.records import MAX_REJECT_TEXT, Batch, Reject, tidy, together
from stream.sources.delimited import BLOCK_BYTES, DelimitedReader, Layout, find_layout
from stream.sources.senml import decode_pack
from stream.station import FolderSource, Station, read_clock

_HEAD: Final = 64 * 1024
_GZIP: Final = b"\x1f\x8b"
_ZSTD: Final = b"\x28\xb5\x2f\xfd"
MAX_PACK: Final = 64 * 1024 * 1024
"""Largest SenML document that is read as a whole [bytes]."""


PACKS_A_BATCH: Final = 2000
"""Packs that are committed together."""


@dataclass(frozen=True, slots=True)
class Recording:
    """One recorded file.

    Attributes
    ----------
    path : Path
        Where it lies.
    size : int
        Its size on disk [bytes].
    layout : Layout or None
        Of delimited text; None for SenML.
    channels : frozenset of str
        Channels of the station that delimited text has columns for; those of SenML
        are known only once it is read.
    """

    path: Path
    size: int
    layout: Layout | None
    channels: frozenset[str]


def find_recordings(station: Station, paths: Sequence[Path]) -> list[Recording]:
    """Look at every file before anything is read into the database.

    Parameters
    ----------
    station : Station
        For its sources and channels.
    paths : sequence of Path
        Files, or folders whose files match a source's pattern.

    Raises
    ------
    SourceError
        A path does not exist or cannot be read, a folder has no files, or a file is
        empty or of another format.
    """
    recordings = []
    for path in paths:
        if path.is_dir():
            files = _files_in(station, path)
        elif path.exists():
            files = [path]
        else:
            raise SourceError(f"{path}: no such file or folder; give the path of a recorded file")
        recordings += [_look_at(station, file) for file in files]
    return recordings


def _files_in(station: Station, folder: Path) -> list[Path]:
    patterns = [s.pattern for s in station.sources if isinstance(s, FolderSource)] or ["*.csv"]
    patterns += [f"{p}{ending}" for p in patterns for ending in (".gz", ".zst")]
    try:
        names = sorted(p for p in folder.iterdir() if p.is_file())
    except OSError as error:
        raise SourceError(f"{folder}: cannot be read: {error.strerror}") from None
    files = [p for p in names if any(fnmatch(p.name, pattern) for pattern in patterns)]
    if not files:
        raise SourceError(
            f"{folder}: no file matches {' or '.join(patterns[: len(patterns) // 3])};"
            " name the files, or correct pattern of the source in the station file"
        )
    return files


def source_for(station: Station, path: Path) -> FolderSource:
    """The folder source whose pattern a file's name matches, or the first, or the default."""
    folders = [s for s in station.sources if isinstance(s, FolderSource)]
    plain = path.name.removesuffix(".gz").removesuffix(".zst")
    for source in folders:
        if fnmatch(path.name, source.pattern) or fnmatch(plain, source.pattern):
            return source
    return folders[0] if folders else FolderSource(kind="folder", path=".")


@contextmanager
def open_bytes(path: Path) -> Iterator[tuple[BinaryIO, BinaryIO]]:
    """Open a file for reading, decompressing gzip and zstd by their first bytes.

    Yields
    ------
    tuple of stream
        Its content, and the file on disk, whose position tells how far it was read.

    Raises
    ------
    SourceError
        The file cannot be read.
    """
    try:
        raw = path.open("rb")
    except OSError as error:
        raise SourceError(f"{path}: cannot be read: {error.strerror}") from None
    with raw:
        magic = raw.read(4)
        raw.seek(0)
        if magic.startswith(_GZIP):
            with gzip.GzipFile(fileobj=raw) as unpacked:
                yield cast(BinaryIO, unpacked), raw
        elif magic == _ZSTD:
            with pa.CompressedInputStream(pa.PythonFile(raw, "r"), "zstd") as unpacked:
                yield cast(BinaryIO, unpacked), raw
        else:
            yield raw, raw


def _look_at(station: Station, path: Path) -> Recording:
    source = source_for(station, path)
    with open_bytes(path) as (content, _):
        stream = _Unbroken(content)
        head = _read_fully(stream, _HEAD)
        size = path.stat().st_size
    if stream.broken and b"\n" not in head:
        raise SourceError(f"{path}: cannot be decompressed: {stream.broken}")
    if head.lstrip().startswith((b"[", b"{")):
        return Recording(path, size, None, frozenset())
    layout = find_layout(
        str(path), _whole_lines(head), source.time_column, source.delimiter, source.decimal
    )
    channels = frozenset(layout.columns) & frozenset(station.channels)
    return Recording(path, size, layout, channels)


def _read_fully(stream: "_Unbroken", count: int) -> bytes:
    parts: list[bytes] = []
    while count > 0 and (part := stream.read(count)):
        parts.append(part)
        count -= len(part)
    return b"".join(parts)


def _whole_lines(head: bytes) -> bytes:
    """Up to the last line end, or all of it where there is none."""
    return head[: head.rfind(b"\n") + 1] or head


class _Unbroken:
    """A stream that ends where a compressed file breaks off, and says so."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self.broken: str | None = None

    def read(self, count: int = -1) -> bytes:
        try:
            return self._stream.read(count)
        except (OSError, EOFError, zlib.error) as error:
            self.broken = str(error)
            return b""


def read_recording(
    station: Station, recording: Recording, block_bytes: int = BLOCK_BYTES
) -> Iterator[tuple[Batch, int]]:
    """Batches of one file in its order, each with how far the file has been read [bytes].

    A compressed file that breaks off is read up to the break, which is noted in
    quarantine.
    """
    name = recording.path.name
    with open_bytes(recording.path) as (content, raw):
        stream = _Unbroken(content)
        if recording.layout is None:
            batches = _packs(station, name, stream)
        else:
            clock = read_clock(station.station.clock)
            reader = DelimitedReader(name, recording.layout, frozenset(station.channels), clock)
            batches = reader.batches(cast(BinaryIO, stream), block_bytes)
        for batch in batches:
            yield batch, raw.tell()
        if stream.broken:
            reason = f"the compressed file breaks off: {stream.broken}"
            yield _refused(name, 0, reason, b""), raw.tell()


def _packs(station: Station, name: str, stream: _Unbroken) -> Iterator[Batch]:
    """One pack a line, or one in the whole file."""
    units = {channel: c.unit for channel, c in station.channels.items()}
    content = stream.read(MAX_PACK + 1)
    if len(content) > MAX_PACK:
        raise SourceError(f"{name}: over {MAX_PACK} bytes of JSON; split it into one pack a line")
    lines = content.split(b"\n")
    if len([line for line in lines if line.strip()]) > 1 and not _is_json(lines[0]):
        lines = [content]
    gathered: list[Batch] = []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            gathered.append(decode_pack(name, line, units, line=number))
        except RecordError as error:
            gathered.append(_refused(name, number, str(error), line))
        if len(gathered) == PACKS_A_BATCH:
            yield together(name, gathered)
            gathered = []
    if gathered:
        yield together(name, gathered)


def _is_json(line: bytes) -> bool:
    try:
        json.loads(line)
    except (ValueError, RecursionError):
        return False
    return True


def _refused(name: str, line: int, reason: str, raw: bytes) -> Batch:
    text = raw.decode("utf-8", "backslashreplace").strip()[:MAX_REJECT_TEXT]
    nothing = np.empty(0, np.int64)
    return tidy(name, nothing, {}, nothing, [Reject(name, line, reason, text)])
