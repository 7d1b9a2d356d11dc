"""Recorded files: what they are, what they hold, and their records in order."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path
from typing import Final

from stream.errors import RecordError, SourceError
from stream.records import Batch, refused_batch, together
from stream.sources.delimited import BLOCK_BYTES, DelimitedReader
from stream.sources.hand import MAX_BYTES, kind_of_table
from stream.sources.layout import Layout, find_layout
from stream.sources.senml import decode_pack
from stream.sources.unpack import Content, open_content
from stream.station import FolderSource, Station, read_clock

_HEAD: Final = 64 * 1024
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
    clock: str | None = None
    """Of its source, where it differs from the station's."""
    table: bool = False
    """Whether it is a table of vials or of a run, that people bring."""

    def content(self) -> bytes:
        """All of a table, decompressed.

        Raises
        ------
        SourceError
            It cannot be read, or breaks off.
        """
        with open_content(self.path) as content:
            raw = content.read(MAX_BYTES + 1)
            if content.broken:
                raise SourceError(f"{self.path}: cannot be decompressed: {content.broken}")
        return raw


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
        recordings += [look_at(station, file, source_for(station, file)) for file in files]
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


def look_at(station: Station, path: Path, source: FolderSource) -> Recording:
    """Find out how one file is written.

    Raises
    ------
    SourceError
        It cannot be read, or is neither delimited text nor SenML.
    """
    with open_content(path) as content:
        head = content.read(_HEAD)
        size = path.stat().st_size
    if content.broken and b"\n" not in head:
        raise SourceError(f"{path}: cannot be decompressed: {content.broken}")
    if kind_of_table(head) is not None:
        return Recording(path, size, None, frozenset(), table=True)
    if head.lstrip().startswith((b"[", b"{")):
        return Recording(path, size, None, frozenset(), source.clock)
    layout = find_layout(
        str(path), _whole_lines(head), source.time_column, source.delimiter, source.decimal
    )
    channels = frozenset(layout.columns) & frozenset(station.channels)
    return Recording(path, size, layout, channels, source.clock)


def _whole_lines(head: bytes) -> bytes:
    """Up to the last line end, or all of it where there is none."""
    return head[: head.rfind(b"\n") + 1] or head


def read_recording(
    station: Station,
    recording: Recording,
    block_bytes: int = BLOCK_BYTES,
) -> Iterator[tuple[Batch, int]]:
    """Batches of one file in its order, each with how far the file has been read [bytes].

    A compressed file that breaks off is read up to the break, which is noted in
    quarantine.
    """
    name = recording.path.name
    with open_content(recording.path) as content:
        if recording.layout is None:
            batches = _packs(station, name, content)
        else:
            zone = read_clock(recording.clock or station.station.clock)
            reader = DelimitedReader(name, recording.layout, frozenset(station.channels), zone)
            batches = reader.batches(content, block_bytes)
        for batch in batches:
            yield batch, content.position
        if content.broken:
            reason = f"the compressed file breaks off: {content.broken}"
            yield refused_batch(name, 0, reason, b""), content.position


def _packs(station: Station, name: str, content: Content) -> Iterator[Batch]:
    """One pack a line, or one in the whole file."""
    units = {channel: c.unit for channel, c in station.channels.items()}
    text = content.read(MAX_PACK + 1)
    if len(text) > MAX_PACK:
        raise SourceError(f"{name}: over {MAX_PACK} bytes of JSON; split it into one pack a line")
    lines = text.split(b"\n")
    if len([line for line in lines if line.strip()]) > 1 and not is_json(lines[0]):
        lines = [text]
    gathered: list[Batch] = []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            gathered.append(decode_pack(name, line, units, line=number))
        except RecordError as error:
            gathered.append(refused_batch(name, number, str(error), line))
        if len(gathered) == PACKS_A_BATCH:
            yield together(name, gathered)
            gathered = []
    if gathered:
        yield together(name, gathered)


def is_json(line: bytes) -> bool:
    """Whether a line is a whole JSON text."""
    try:
        json.loads(line)
    except (ValueError, RecursionError):
        return False
    return True
