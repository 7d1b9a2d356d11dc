"""What only a file's first record tells of its layout: whether date, time and zone stand apart."""

from collections.abc import Sequence
from dataclasses import replace

from stream.ingest.delimited.header import find_time
from stream.ingest.delimited.layout import Layout, with_time_of_day
from stream.ingest.times.timestamps import is_date, is_stamp, is_time_of_day
from stream.ingest.times.zones import find_zone
from stream.station import FolderSource


def settled(layout: Layout, cells: Sequence[str], source: FolderSource) -> Layout:
    """The layout as a line behind the header shows it; unchanged where it tells nothing."""
    layout = _with_date(layout, cells, source)
    zone = layout.zone
    if source.zone_column is not None:
        zone = find_time(layout.header, source.zone_column) if source.zone_column else None
    elif zone is None:
        times = [at for at in (layout.time, layout.date) if at is not None]
        zone = find_zone(layout.header, cells, times, layout.channels.values())
    return layout if zone == layout.zone else replace(layout, zone=zone)


def _with_date(layout: Layout, cells: Sequence[str], source: FolderSource) -> Layout:
    at = layout.time
    if at >= len(cells) or layout.date is not None or source.time_format is not None:
        return layout
    cell = cells[at]
    named = cells[: len(layout.header)]  # a line may have more cells than there are columns
    if is_date(cell):
        if layout.delimiter == " " and len(cells) == len(layout.header) + 1:
            return with_time_of_day(layout) if is_time_of_day(cells[at + 1]) else layout
        times = [i for i, c in enumerate(named) if is_time_of_day(c)]
        times = [i for i in times if i not in layout.channels.values()]
        return replace(layout, date=at, time=times[0]) if len(times) == 1 else layout
    if is_time_of_day(cell):
        dates = [i for i, c in enumerate(named) if i != at and is_date(c)]
        dates = [i for i in dates if i not in layout.channels.values()]
        stamps = [i for i, c in enumerate(named) if is_stamp(c)]
        if dates:
            return replace(layout, date=dates[0])
        if len(stamps) == 1 and stamps[0] not in layout.channels.values():
            return replace(layout, time=stamps[0])
    return layout
