"""What some files of a station hold, before any station file says what it means."""

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.draft.folders import Records
from stream.draft.header import header_of, holds_times, times_of, zone_of
from stream.draft.names import LID, split_header, tokens
from stream.errors import RecordError, SourceError
from stream.ingest.broker.senml import decode_pack
from stream.ingest.delimited.cells import MISSING, as_text, find_encoding
from stream.ingest.delimited.header import LID_WORDS, SWITCH_WORDS, ChannelColumn, find_time
from stream.ingest.delimited.reading import Found, TextFiles
from stream.ingest.files.contents import open_content
from stream.ingest.files.recordings import looks_like_senml
from stream.ingest.times.dates import DateEvidence, date_evidence, decide
from stream.ingest.times.timestamps import DateOrder, is_time_of_day, match_stamp
from stream.ingest.times.zones import offset_us
from stream.station import FolderSource, unit_as_written

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]

_HEAD: Final = 256 * 1024
_MOST_BYTES: Final = 64 * 1024 * 1024
"""Of one file that are read: days of records, and enough to see what they are."""
_MOST_WORDS: Final = 6
"""A column of more words is a remark."""
_NUMBER: Final = re.compile(r"^[+-]?[\d.,]+(?:[eE][+-]?\d+)?$")
_STATES: Final = {
    **{word: {"open": 0.0, "closed": 1.0, "moving": 2.0}[is_] for word, is_ in LID_WORDS.items()},
    **SWITCH_WORDS,
}


@dataclass
class Column:
    """One column of the files, under the name that its channel would have.

    Attributes
    ----------
    name : str
    header : str
        As it stands in the files.
    plain : str
        The header without its unit.
    unit : str or None
        In the station file's words, where the files state one.
    states : dict of str to float
        Words of it that the station file must be told; their numbers are below zero until
        :func:`stream.draft.words.settle` has guessed what they mean.
    told : bool
        Whether words alone stand in it, and say more than on and off.
    nothing : set of str
        What stands in it for no value.
    times, values : list of ndarray
        Part by part [µs, as the files write them].
    """

    name: str
    header: str
    plain: str
    unit: str | None = None
    states: dict[str, float] = field(default_factory=dict)
    told: bool = False
    nothing: set[str] = field(default_factory=set)
    times: list[Micros] = field(default_factory=list)
    values: list[Floats] = field(default_factory=list)

    def series(self, *, empty: bool = False) -> tuple[Micros, Floats]:
        """Times in order and values, those without a value left out or, with ``empty``, NaN."""
        times = np.concatenate([np.empty(0, np.int64), *self.times])
        values = np.concatenate([np.empty(0), *self.values])
        known = ~np.isnan(values) | empty
        order = np.argsort(times[known], kind="stable")
        return times[known][order], values[known][order]


@dataclass
class Survey:
    """What files hold.

    Attributes
    ----------
    columns : dict of str to Column
        By name.
    sources : dict of (folder, pattern) to dict
        Keys that the source needs beside path and pattern.
    left : list of str
        Headers of columns that hold text.
    offsets : set of str
        Offsets that stamps bear.
    local : bool
        Whether some stamps bear none.
    zones : dict of str to set of str
        Header of a column of time zones → the names in it that only a person can explain.
    words : dict of str to float
        Words that are not known → a number below zero, the same in every file.
    lasted : dict of str to float
        How long such a word lasts at a time, by the median [s].
    starts : dict of bool to int
        First time of stamps without offset (True) and of others [µs].
    files : list of Records
        What each file holds.
    notes : list of str
        What a person should know of the files, one line each.
    not_read : list of str
        Why files were left out, one line each.
    """

    columns: dict[str, Column] = field(default_factory=dict)
    sources: dict[tuple[Path, str], dict[str, str]] = field(default_factory=dict)
    left: list[str] = field(default_factory=list)
    offsets: set[str] = field(default_factory=set)
    local: bool = False
    zones: dict[str, set[str]] = field(default_factory=dict)
    words: dict[str, float] = field(default_factory=dict)
    lasted: dict[str, float] = field(default_factory=dict)
    starts: dict[bool, int] = field(default_factory=dict)
    files: list[Records] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    not_read: list[str] = field(default_factory=list)

    def saw(self, local: bool, times: Micros) -> None:
        """Note where records begin, by whether their stamps bear no offset."""
        if len(times):
            first = int(times.min())
            self.starts[local] = min(self.starts.get(local, first), first)


def survey(paths: Sequence[Path]) -> Survey:
    """Read files of a station that has no station file yet.

    Parameters
    ----------
    paths : sequence of Path
        Files, or folders of files.

    Raises
    ------
    SourceError
        A path does not exist, or no file is understood.
    """
    found = Survey()
    texts: list[_Text] = []
    for path in _files(paths):
        try:
            text = _look(path, found)
        except SourceError as error:
            found.not_read.append(str(error))
            continue
        if text is not None:
            texts.append(text)
    shapes: dict[str, list[DateEvidence]] = {}
    for text in texts:
        if text.dates is not None:
            shapes.setdefault(text.dates.shape, []).append(text.dates)
    orders = {shape: decide(files).order for shape, files in shapes.items()}
    for text in texts:
        _read_text(text, orders, found)
    if not found.columns:
        raise SourceError("\n".join(found.not_read) or "no records in these files; give others")
    return found


@dataclass(frozen=True, slots=True)
class _Text:
    """A file of delimited text that was looked at, and is still to be read."""

    path: Path
    header: tuple[str, ...]
    files: TextFiles
    opened: Found
    columns: dict[str, Column]
    behind: list[list[str]]
    dates: DateEvidence | None
    offsets: set[str]
    """Of a column of time zones."""
    times: list[str]
    """Columns of times, where there are several."""


def _look(path: Path, found: Survey) -> _Text | None:
    """Look at a file; SenML is read at once."""
    with open_content(path) as content:
        head = content.read(_HEAD)
    if content.broken and b"\n" not in head:
        raise SourceError(f"{path}: cannot be decompressed: {content.broken}")
    if looks_like_senml(head):
        _read_senml(path, found)
        found.sources.setdefault(_source_of(path), {})
        return None
    encoding = find_encoding(head)
    text = encoding.to_utf8(head[: encoding.lines_end(head)] or head)
    header, behind = header_of([as_text(line).rstrip("\r") for line in text.split(b"\n")])
    zone, words = zone_of(header, behind)
    columns = dict(_columns(header, behind, zone, found))
    wanted = {
        name: ChannelColumn(c.header, "", {**_STATES, **c.states}) for name, c in columns.items()
    }
    unclear = {word for word in words if offset_us(word) is None}
    if zone is not None and unclear:
        found.zones.setdefault(header[zone], set()).update(unclear)
    times = times_of(header, behind)
    source = FolderSource(
        kind="folder",
        path=".",
        zone_column="" if unclear else None,
        time_column=times[-1] if times else None,
    )
    files = TextFiles(source, wanted, "UTC")
    opened = files.find(str(path), head)
    if opened is None:
        raise files.why_not(str(path), head)
    dates = None
    if opened.ambiguous is not None:
        dates = date_evidence(files, opened, partial(open_content, path))
    return _Text(path, tuple(header), files, opened, columns, behind, dates, words - unclear, times)


def _source_of(path: Path) -> tuple[Path, str]:
    plain = path.name.removesuffix(".gz").removesuffix(".zst")
    return path.parent, f"*{Path(plain).suffix}"


def _files(paths: Sequence[Path]) -> list[Path]:
    files: list[Path] = []
    for path in paths:
        if path.is_dir():
            files += sorted(p for p in path.iterdir() if p.is_file() and p.name[0] != ".")
        elif path.exists():
            files.append(path)
        else:
            raise SourceError(f"{path}: no such file or folder; give a file of the station")
    if not files:
        raise SourceError(f"{paths[0]}: the folder is empty; give files of the station")
    return files


def channel_name(header: str) -> str:
    """A channel's name for a header without its unit: ``Lid east`` → ``lid_east``."""
    return re.sub(r"[^a-z0-9]+", "_", header.lower()).strip("_") or "column"


def _read_text(text: _Text, orders: dict[str, DateOrder | None], found: Survey) -> None:
    keys = found.sources.setdefault(_source_of(text.path), {})
    if text.times:
        names = f"{', '.join(text.times[:-1])} and {text.times[-1]}"
        keys["time_column"] = f"? Which of the columns {names} has the time that counts?"
    order: DateOrder | None = None
    if text.dates is not None:
        order = orders[text.dates.shape]
        if order is None:
            sample = text.dates.sample.split()[0]
            keys["date_order"] = f"? Is the day or the month first in {sample}: dmy or mdy?"
            order = "dmy"
    for name, column in text.columns.items():
        found.columns.setdefault(name, column)
        found.columns[name].states |= column.states
        found.columns[name].told &= column.told
        found.columns[name].nothing |= column.nothing
    local = _note_stamps(text, found)
    records = Records(text.path, text.header, _source_of(text.path))
    found.files.append(records)
    with open_content(text.path) as content:
        for batch in text.files.reader(text.opened, order).batches(content):
            found.saw(local, batch.times)
            for j, name in enumerate(batch.channels):
                found.columns[name].times.append(batch.times)
                found.columns[name].values.append(batch.values[:, j])
                records.series.setdefault(name, []).append((batch.times, batch.values[:, j]))
            if content.position > _MOST_BYTES:
                break


def _columns(
    header: list[str], behind: Sequence[Sequence[str]], zone: int | None, found: Survey
) -> Iterator[tuple[str, Column]]:
    """Columns that hold numbers or a few words."""
    time = find_time(header, None)
    taken: set[str] = set()
    for i, cell in enumerate(header):
        cells = [row[i] for row in behind if i < len(row)]
        if i in (time, zone) or not cell or holds_times(cells):
            continue
        if header.count(cell) > 1:
            # Its name tells no one which is which.
            twice = f"{cell} (stands {header.count(cell)} times)"
            if twice not in found.left:
                found.left.append(twice)
            continue
        words = _words(cells[3:] or cells)
        numbers = any(_NUMBER.match(c) for c in cells[3:] or cells)
        plain, stated = split_header(cell, header)
        known = numbers or words & set(_STATES) or tokens(plain) & LID
        if len(words) > _MOST_WORDS or (words and not known):
            if cell not in found.left:
                found.left.append(cell)
            continue
        units = [unit_as_written(c) for c in cells[:3] if c and not _NUMBER.match(c)]
        unit = unit_as_written(stated or "") or next((u for u in units if u), None)
        name = channel_name(plain)
        if name in taken:
            continue
        taken.add(name)
        unknown = sorted(words - set(_STATES))
        states = {w: found.words.setdefault(w, -1.0 - len(found.words)) for w in unknown}
        told = not numbers and bool(words - set(SWITCH_WORDS))
        nothing = {c.lower() for c in cells[3:] if c in MISSING and not _NUMBER.match(c)}
        yield name, Column(name, cell, plain, unit, states, told, nothing)


def _words(cells: Sequence[str]) -> set[str]:
    """Words of a column in lower case, but for those that hold no value."""
    return {c.lower() for c in cells if c not in MISSING and not _NUMBER.match(c)}


def _note_stamps(text: _Text, found: Survey) -> bool:
    """Note the offset that stamps bear; True where they bear none."""
    at = text.opened.layout.time
    cells = [row[at] for row in text.behind if at < len(row)]
    match = next((m for cell in reversed(cells) if (m := match_stamp(cell))), None)
    if text.offsets and (match is None or match["zone"] is None):
        found.offsets |= {
            "+00:00" if word in ("Z", "UTC", "GMT") else word for word in text.offsets
        }
        return False
    if match is None:
        # A number counts from 1970 in UTC, a time of day stands beside its date.
        local = any(is_time_of_day(cell) for cell in cells[-1:])
        found.local = found.local or local
        return local
    zone = match["zone"]
    if zone is None:
        found.local = True
        return True
    found.offsets.add("+00:00" if zone in ("Z", "UTC", "GMT") else zone)
    return False


def _read_senml(path: Path, found: Survey) -> None:
    """Names and units first, then the records."""
    with open_content(path) as content:
        text = content.read(_MOST_BYTES)
    lines = [line for line in text.split(b"\n") if line.strip()]
    units: dict[str, str] = {}
    for line in lines[:2000]:
        units |= _senml_units(line)
    for name, unit in units.items():
        found.columns.setdefault(name, Column(name, name, name, unit or None))
    known = {name: unit or "1" for name, unit in units.items()}
    for line in lines:
        try:
            batch = decode_pack(path.name, line, known)
        except RecordError:
            continue
        found.saw(False, batch.times)
        for j, name in enumerate(batch.channels):
            found.columns[name].times.append(batch.times)
            found.columns[name].values.append(batch.values[:, j])


def _senml_units(line: bytes) -> dict[str, str]:
    """Channel → unit in the station file's words, '' for a ratio, of one pack."""
    try:
        pack = json.loads(line)
    except ValueError:
        return {}
    units: dict[str, str] = {}
    base, common = "", None
    for entry in pack if isinstance(pack, list) else []:
        if not isinstance(entry, dict):
            continue
        base, common = entry.get("bn", base), entry.get("bu", common)
        name = f"{base}{entry.get('n', '')}"
        label = str(entry.get("u", common) or "")
        if name and "v" in entry:
            # In RFC 8428 "/" and "%" name ratios between 0 and 1.
            units[name] = "" if label in ("/", "%", "") else unit_as_written(label) or ""
    return units
