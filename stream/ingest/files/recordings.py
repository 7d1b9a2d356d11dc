"""Recorded files: what they hold, what none of them has, and their records in order."""

import difflib
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from fnmatch import fnmatch
from pathlib import Path
from typing import Final

from stream.errors import SourceError
from stream.ingest.batches import Batch, DateOrderKept, refused_batch
from stream.ingest.broker.senml import packs_of
from stream.ingest.delimited.reading import BLOCK_BYTES, Found, TextFiles
from stream.ingest.files.contents import (
    MAX_BYTES,
    PACKED_TOO,
    Content,
    Listing,
    kind_of_table,
    list_folder,
    open_content,
    plain_name,
)
from stream.ingest.times.dates import (
    DateEvidence,
    agrees,
    as_order,
    contradiction,
    date_evidence,
    decide,
    question,
)
from stream.station import FolderSource, Station, StationFile

_HEAD: Final = 64 * 1024


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
            batches = packs_of(station, name, content)
        else:
            order = None if settled is None else as_order(settled.date_order)
            reader = TextFiles.of(station, recording.source).reader(recording.text, order)
            batches = reader.batches(content, block_bytes)
        for batch in batches:
            yield replace(batch, settled=settled), content.position
        if content.broken:
            reason = f"the compressed file breaks off: {content.broken}"
            yield refused_batch(name, 0, reason, b""), content.position


_MOST: Final = 8
"""Names that are listed before the rest is counted."""


def needed_channels(station: Station) -> dict[str, str]:
    """Channels without which no flux can be had → the key that names each first."""
    needed: dict[str, str] = {}
    for i, a in enumerate(station.analyzers):
        if a.sampling == "vials":
            continue  # their peak areas come in tables
        for gas, channel in a.gases.items():
            needed.setdefault(channel, f"analyzers[{i}].gases.{gas}")
        if a.basis == "wet" and a.water_channel:
            needed.setdefault(a.water_channel, f"analyzers[{i}].water_channel")
        if a.port_channel:
            needed.setdefault(a.port_channel, f"analyzers[{i}].port_channel")
    for i, c in enumerate(station.chambers):
        if c.lid_channel and c.air_temperature_channel:
            needed.setdefault(c.lid_channel, f"chambers[{i}].lid_channel")
            needed.setdefault(c.air_temperature_channel, f"chambers[{i}].air_temperature_channel")
    return needed


def lacking(file: StationFile, recordings: Sequence[Recording], known: set[str]) -> dict[str, str]:
    """Channels that fluxes need and that neither the files nor the journal have, each with the
    key that names it.
    """
    found = known.union(*(r.channels for r in recordings))
    return {c: key for c, key in needed_channels(file.station).items() if c not in found}


def missing_column(
    file: StationFile,
    recordings: Sequence[Recording],
    channels: dict[str, str],
    refused: Sequence[str],
) -> SourceError:
    """A line for each file that cannot be read, since one of them may have the column, and one
    for the column.

    Parameters
    ----------
    file : StationFile
    recordings : sequence of Recording
        Files that can be read.
    channels : dict
        See :func:`lacking`.
    refused : sequence of str
    """
    channel, key = next(iter(channels.items()))
    column = file.station.channels[channel].column
    sought = repr(column or channel) + ("" if column is None else f" of the channel {channel!r}")
    more = f" (and {len(channels) - 1} more channels)" if len(channels) > 1 else ""
    others = " nor in the other files" if len(recordings) > 1 else ""
    others += " that can be read" if others and refused else ""
    told = (
        f"{recordings[0].path}: no column {sought}{more} here{others}, and {key} of the station"
        f" file needs it; add the file that has it, correct the name, or pass --partial."
        f" {_left(recordings)}"
    )
    return SourceError("\n".join([*refused, told]))


def without_column(
    file: StationFile, recordings: Sequence[Recording], known: Collection[str]
) -> str:
    """For people: channels that neither a file nor the journal has; empty where there are none.

    Parameters
    ----------
    file : StationFile
    recordings : sequence of Recording
        All that were read; nothing is told where there are none.
    known : collection of str
        Channels of which the journal has a record.
    """
    if not recordings:
        return ""
    vials = {c for a in file.station.analyzers if a.sampling == "vials" for c in a.gases.values()}
    found = vials.union(known, *(r.channels for r in recordings))
    absent = [c for c in file.station.channels if c not in found]
    if not absent:
        return ""
    told = []
    left = list(_unclaimed(recordings))
    for channel in absent[:_MOST]:
        column = file.station.channels[channel].column or channel
        close = difflib.get_close_matches(
            column.casefold(), {cell.casefold(): cell for cell in left}, n=1, cutoff=0.8
        )
        meant = next((cell for cell in left if cell.casefold() in close), None)
        told.append(repr(column) + ("" if meant is None else f" (is it {meant!r}?)"))
    more = f" and {len(absent) - _MOST} more channels" if len(absent) > _MOST else ""
    return (
        f"no file has a column for {', '.join(told)}{more}: add the files that have them, correct"
        " the names in the station file, or remove the channels. " + _left(recordings)
    )


def _unclaimed(recordings: Sequence[Recording]) -> Iterator[str]:
    """Columns that no channel takes, nor the time, each once."""
    seen = set()
    for recording in recordings:
        if recording.text is None:
            continue
        layout = recording.text.layout
        taken = {*layout.channels.values(), layout.time, layout.date, layout.zone}
        for i, cell in enumerate(layout.header):
            if i not in taken and cell and cell not in seen:
                seen.add(cell)
                yield cell


def _left(recordings: Sequence[Recording]) -> str:
    """For people: the columns that no channel takes."""
    left = list(_unclaimed(recordings))
    if not left:
        return "Every column of the header is in use already."
    more = f" and {len(left) - _MOST} more" if len(left) > _MOST else ""
    return f"Columns that no channel takes: {', '.join(map(repr, left[:_MOST]))}{more}."
