"""Closures evaluated for somebody who looks, perhaps with other settings: nothing is stored.

Both ways are the settlement's own: one closure that is stored, from its records; or all of a
period, from the lids on. With the settings of the station they give what is stored, to the bit.
"""

from collections.abc import Iterator
from typing import Final

from stream.compute.closures.evaluate import Evaluation, evaluation_of
from stream.compute.closures.rows import Event
from stream.compute.closures.segments import lid_flags
from stream.compute.manual.span import ManualTask
from stream.compute.settle import context_of, tables_of, tasks_of
from stream.science.closures.lid import LidClosure
from stream.science.quality.flags import bits_of
from stream.station import Station, StationFile
from stream.store.results.changes import Result
from stream.store.results.readers import Row
from stream.store.results.writer import AnchorReader
from stream.store.station_data import ManualTables, StationData
from stream.times import DAY, SECOND

OF_LIDS: Final = frozenset({"bounce_s", "lid_hold_s", "expected_per_day", "lateness_s"})
"""Keys of ``[closure]`` that decide which closures there are: of no account for one of them."""
_FROM_OUTSIDE: Final = frozenset(
    {"line_shared", "clock_off", "clock_unsteady", "marked_bad", "setup_implausible"}
)
"""Flags of a closure that neither its lid nor its readings give."""


def closure_preview(data: StationData, file: StationFile, row: Row) -> Evaluation:
    """Evaluate one stored closure.

    Parameters
    ----------
    data : StationData
        Its records and results.
    file : StationFile
        As amended, perhaps with other settings.
    row : mapping
        Of the closure, as stored.

    Returns
    -------
    Evaluation
        Of this closure alone.
    """
    station = file.station
    chamber = next(c for c in station.chambers if c.id == row["chamber"])
    analyzer = station.analyzer(chamber.analyzer)
    closed = row["closed_us"]
    if analyzer.sampling == "vials":
        anchors = AnchorReader(data.store, station.id)
        context = context_of(file, data.journal, anchors, None)
        tables = tables_of(station, ManualTables(data.store, station.id))
        task = ManualTask(context, analyzer, (closed, closed), tables)
        mine = [c for c in task.closures(closed, closed + 1) if c.chamber == chamber.id]
        return task.evaluation_of(mine)
    return evaluation_of(station, analyzer, [_event(data, station, row)], data.journal)


def _event(data: StationData, station: Station, row: Row) -> Event:
    """A closure as it was segmented, from its stored row."""
    chamber = next(c for c in station.chambers if c.id == row["chamber"])
    stored = set(row["flags"].split())
    lid = LidClosure(
        closed_us=row["closed_us"],
        opened_us=row["opened_us"],
        close_seen="no_close_edge" not in stored,
        open_seen="no_open_edge" not in stored,
        still_closed=False,
        close_gap_us=_micros(row["close_gap_s"]),
        open_gap_us=_micros(row["open_gap_s"]),
        moving_us=_micros(row["moving_s"]),
        bounces=row["bounces"],
    )
    past = data.reader.around(chamber.id, lid.closed_us - 1, 1)
    before = [
        (r["closed_us"], r["opened_us"])
        for r in past
        if r["closed_us"] < lid.closed_us and lid.closed_us - r["opened_us"] < DAY
    ]
    flags = lid_flags(lid, station.closure) | bits_of(stored & _FROM_OUTSIDE)
    return Event(chamber, lid, flags, before[-1] if before else None)


def _micros(seconds: float | None) -> int:
    return round((seconds or 0.0) * SECOND)


def period_preview(
    data: StationData, file: StationFile, first_us: int, stop_us: int
) -> Iterator[Result]:
    """Work out again the closures of a period, from the lids on.

    Parameters
    ----------
    data, file
        As of :func:`closure_preview`.
    first_us, stop_us : int
        Period by the closing of the lid, the end excluded [µs].

    Yields
    ------
    Result
        Of kind ``closures``, as reprocessing would store it.
    """
    station = file.station
    context = context_of(file, data.journal, AnchorReader(data.store, station.id), None)
    tables = tables_of(station, ManualTables(data.store, station.id))
    for task in tasks_of(context, (first_us, stop_us - 1), tables):
        for changes in task.changes():
            for result in changes.results:
                if result.kind == "closures" and first_us <= result.identity[-1] < stop_us:
                    yield result
