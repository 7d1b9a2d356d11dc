"""How files are written: faults of what the station file says of its folders and columns."""

import codecs
from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from math import isnan
from typing import Final

from stream.station.lids import shared_lid_faults
from stream.station.models import Channel, Station, lids_of_one_column
from stream.station.sources import FolderSource

_COUNTED: Final = (
    "days", "hours", "minutes", "seconds", "milliseconds", "microseconds", "nanoseconds",
)  # fmt: skip


def source_faults(station: Station) -> Iterator[str]:
    """Every fault of folder sources and of how channels are found in files."""
    for i, source in enumerate(station.sources):
        if isinstance(source, FolderSource):
            yield from _folder(f"sources[{i}]", source)
    lids = lids_of_one_column(station)
    taken = Counter(
        c.column
        for name, c in station.channels.items()
        if c.column is not None and name not in lids
    )
    for name, channel in station.channels.items():
        if name not in lids and channel.column is not None and taken[channel.column] > 1:
            yield (
                f"channels.{name}.column: {channel.column!r} is named by another channel too;"
                " give each its own; only lids may share one, of the number of the closed chamber"
            )
        yield from _states(name, channel)
    yield from shared_lid_faults(station)


def _folder(path: str, source: FolderSource) -> Iterator[str]:
    if source.encoding is not None and not _is_line_encoding(source.encoding):
        yield (
            f"{path}.encoding: {source.encoding!r} is not known, or not one whose lines can be"
            ' told apart; write one such as "utf-8", "latin-1", "cp1252" or "utf-16"'
        )
    if source.header_line == 0 and not source.columns:
        yield f"{path}.columns: missing; files without a header need the names of their columns"
    if source.columns and source.header_line is None:
        yield (
            f"{path}.header_line: missing; with columns, write which line holds the header that"
            " they replace, or 0 for none"
        )
    for column, count in Counter(source.columns).items():
        if column and count > 1:
            yield f"{path}.columns: {column!r} stands twice; give each its own name"
    if source.delimiter is not None and source.delimiter == source.decimal:
        yield f"{path}.decimal: the same as delimiter; one of them must differ"
    if source.time_format is not None:
        yield from _time_format(f"{path}.time_format", source.time_format)


def _is_line_encoding(name: str) -> bool:
    """Whether text in an encoding can be cut at its line ends."""
    try:
        plain = codecs.lookup(name).name
        return plain.startswith("utf-16") or "a\n,0".encode(plain).endswith(b"a\n,0")
    except (LookupError, ValueError):
        return False


def _time_format(path: str, form: str) -> Iterator[str]:
    unit, since, start = form.partition(" since ")
    if since:
        if unit not in _COUNTED:
            yield f"{path}: {unit!r} cannot be counted; write one of {', '.join(_COUNTED)}"
        try:
            datetime.fromisoformat(start)
        except ValueError:
            yield f"{path}: {start!r} is not a time like 1970-01-01T00:00:00Z"
        return
    if "%" not in form:
        yield f'{path}: has no % as in "%d.%m.%Y %H:%M:%S", nor is it like "days since 1899-12-30"'
        return
    moment = datetime(2026, 6, 15, 13, 45)  # noqa: DTZ001 - written and read back only
    try:
        datetime.strptime(moment.strftime(form), form)  # noqa: DTZ007
    except ValueError as error:
        yield f"{path}: cannot be read by: {error}"


def _states(name: str, channel: Channel) -> Iterator[str]:
    for word in channel.states:
        try:
            number = float(word.replace(",", "."))
        except ValueError:
            continue
        if isnan(number):
            continue  # what some write for nothing
        yield (
            f"channels.{name}.states: {word!r} is a number already; name words only. Of a lid,"
            " write the number as lid_closed of its chamber"
        )
