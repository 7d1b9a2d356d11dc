"""Recorded files: what they are, what they hold, and their records in order."""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from fnmatch import fnmatch
from pathlib import Path
from typing import Final

from stream.errors import RecordError, SourceError
from stream.ingest.batches import Batch, DateOrderKept, refused_batch, together
from stream.ingest.broker.senml import decode_pack
from stream.ingest.broker.unpack import Content, open_content
from stream.ingest.delimited.delimited import BLOCK_BYTES
from stream.ingest.delimited.opening import Found, TextFiles
from stream.ingest.files.kind import MAX_BYTES, kind_of_table
from stream.ingest.files.listing import PACKED_TOO, Listing, list_folder, plain_name
from stream.ingest.times.dates import DateEvidence, agrees, date_evidence, decide, question
from stream.ingest.times.timestamps import DateOrder
from stream.station import FolderSource, Station

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
    source : FolderSource
        Whose file it is.
    text : Found or None
        How delimited text is written; None for SenML and for a table.
    table : bool
        Whether it is a table of vials or of a run, that people bring.
    dates : DateEvidence or None
        What it tells of the order of day and month, where that is open.
    settled : DateOrderKept or None
        The order by which it is read.
    """

    path: Path
    size: int
    source: FolderSource
    text: Found | None = None
    table: bool = False
    dates: DateEvidence | None = None
    settled: DateOrderKept | None = None

    @property
    def name(self) -> str:
        """By which its lines are known in quarantine."""
        return plain_name(self.path)

    @property
    def channels(self) -> frozenset[str]:
        """Channels that delimited text has columns for; those of SenML are known only once
        it is read.
        """
        return frozenset() if self.text is None else frozenset(self.text.layout.channels)

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


@dataclass(frozen=True, slots=True)
class Recordings:
    """Files to take, and why others among them cannot be taken: one line each."""

    files: list[Recording]
    refused: list[str]


def find_recordings(station: Station, paths: Sequence[Path]) -> Recordings:
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
        A path does not exist or cannot be read, or a folder has no files.
    """
    found = Recordings([], [])
    for path in paths:
        if path.is_dir():
            listing = _files_in(station, path)
            found.refused.extend(f"{path / name}: {why}" for name, why in listing.refused)
            files = sorted(file.path for file in listing.files)
        elif path.exists():
            files = [path]
        else:
            raise SourceError(f"{path}: no such file or folder; give the path of a recorded file")
        for file in files:
            try:
                found.files.append(look_at(station, file, source_for(station, file)))
            except SourceError as error:
                found.refused.append(str(error))
    return found


def settle_dates(found: Recordings, kept: Mapping[tuple[str, str], str]) -> Recordings:
    """Settle the order of day and month of every file that leaves it open.

    Parameters
    ----------
    found : Recordings
    kept : mapping
        Source and shape → order, as settled before.

    Returns
    -------
    Recordings
        Files whose order cannot be settled are among the refused.
    """
    groups: dict[tuple[str, str], list[DateEvidence]] = {}
    for recording in found.files:
        if recording.dates is not None:
            groups.setdefault(_dates_of(recording), []).append(recording.dates)
    decisions = {key: decide(files) for key, files in groups.items()}
    settled = Recordings([], list(found.refused))
    for recording in found.files:
        evidence = recording.dates
        if evidence is None:
            settled.files.append(recording)
            continue
        key = _dates_of(recording)
        order = kept.get(key, decisions[key].order)
        if order is None:
            settled.refused.append(question(str(recording.path), evidence, decisions[key]))
        elif not agrees(evidence, as_order(order)):
            settled.refused.append(contradiction(str(recording.path), evidence, order))
        else:
            settled.files.append(replace(recording, settled=DateOrderKept(*key, order)))
    return settled


def _dates_of(recording: Recording) -> tuple[str, str]:
    shape = "" if recording.dates is None else recording.dates.shape
    return source_key(recording.source), shape


def _files_in(station: Station, folder: Path) -> Listing:
    plain = [s.pattern for s in station.sources if isinstance(s, FolderSource)] or ["*.csv"]
    listing = list_folder(folder, [p + ending for p in plain for ending in PACKED_TOO])
    if not listing.files and not listing.refused:
        raise SourceError(
            f"{folder}: no file matches {' or '.join(plain)};"
            " name the files, or correct pattern of the source in the station file"
        )
    return listing


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
        return Recording(path, size, source, table=True)
    if looks_like_senml(head):
        return Recording(path, size, source)
    files = TextFiles.of(station, source)
    found = files.find(str(path), head)
    if found is None:
        raise files.why_not(str(path), head)
    dates = None
    if found.ambiguous is not None:
        dates = date_evidence(files, found, _opener(path))
    return Recording(path, size, source, replace(found, name=plain_name(path)), dates=dates)


def _opener(path: Path) -> Callable[[], AbstractContextManager[Content]]:
    return lambda: open_content(path)


def looks_like_senml(head: bytes) -> bool:
    """Whether a file begins like JSON; a logger's line may begin with a bracket too."""
    start = head.lstrip()
    return start.startswith(b"{") or (start.startswith(b"[") and not start[1:2].isalpha())


def source_key(source: FolderSource) -> str:
    """By which the settled order of a source's dates is kept."""
    return f"{source.path}/{source.pattern}"


def as_order(text: str) -> DateOrder:
    """An order of day, month and year as it was stored."""
    return "mdy" if text == "mdy" else "ymd" if text == "ymd" else "dmy"


def contradiction(name: str, evidence: DateEvidence, order: str) -> str:
    """Why a file waits whose dates do not fit the order of the files before it."""
    return (
        f"{name}: its dates, such as {evidence.sample.split()[0]!r}, do not fit the order {order}"
        " of earlier files of the source. Nothing of this file was stored. Set date_order for the"
        " source in the station file, or give this file a source of its own"
    )


def read_recording(
    station: Station,
    recording: Recording,
    block_bytes: int = BLOCK_BYTES,
) -> Iterator[tuple[Batch, int]]:
    """Batches of one file in its order, each with how far the file has been read [bytes].

    A compressed file that breaks off is read up to the break, which is noted in
    quarantine.
    """
    name = recording.name
    settled = recording.settled
    with open_content(recording.path) as content:
        if recording.text is None:
            batches = _packs(station, name, content)
        else:
            order = None if settled is None else as_order(settled.date_order)
            reader = TextFiles.of(station, recording.source).reader(recording.text, order)
            batches = reader.batches(content, block_bytes)
        for batch in batches:
            yield replace(batch, settled=settled), content.position
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
