"""Channels of the station file that no file has a column for."""

import difflib
from collections.abc import Collection, Iterator, Sequence
from typing import Final

from stream.errors import SourceError
from stream.ingest.files.recordings import Recording
from stream.station import StationFile, needed_channels

_MOST: Final = 8
"""Names that are listed before the rest is counted."""


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
