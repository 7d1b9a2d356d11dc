"""The verb ``summary``: one day, or yesterday, for the terminal or into a folder."""

import time
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Final

from stream.errors import CommandError
from stream.field.series import calendar
from stream.report.summary.day_summary import summarize, yesterday
from stream.report.summary.model import DaySummary
from stream.station import StationFile, read_clock
from stream.store import open_existing
from stream.store.station_data import SERVICE_LOOK, Marks, StationData
from stream.times import DAY, SECOND

_WHOLE_US: Final = 3600 * SECOND
"""How long before the end of a day records may end for it to be whole."""


def summary_of(file: StationFile, url: str, day: date | None) -> DaySummary:
    """Sum up a day, and keep what was said of it if it is over.

    Without a day it is yesterday; where files of the past were replayed and no service ever
    ran, the last whole day of their records.

    Raises
    ------
    CommandError
        The day is yet to come.
    StoreError
        There is no database, or it refuses.
    """
    last = yesterday(file.station)
    if day is not None and day > last:
        raise CommandError(f"--day: {day} is not over at the station; the last one is {last}")
    now = time.time_ns() // 1000
    with closing(open_existing(url)) as store:
        data = StationData.over(file, store)
        newest = data.journal.newest() if day is None else None
        ended = None if newest is None else _last_day(data, newest, last)
        wanted = day or ended or last
        summary = summarize(data, wanted, now_us=now if wanted == last else None)
        if newest is not None and ended is not None:
            zone = read_clock(file.station.station.timezone)
            end = datetime.fromtimestamp(newest / 1e6, UTC).astimezone(zone)
            said = f"Records end on {end:%Y-%m-%d} at {end:%H:%M}. {summary.sentence}"
            summary = replace(summary, sentence=said)
        data.kept.put(wanted, summary.as_dict(), now)
    return summary


def _last_day(data: StationData, newest_us: int, yesterday_: date) -> date | None:
    """The last whole day of records that ended before yesterday; None where a service ran, since
    then it is the trouble itself that they ended.
    """
    station = data.file.station
    if newest_us >= calendar(station, yesterday_, yesterday_).start_us:
        return None
    if Marks(data.store, station.id).get(SERVICE_LOOK) is not None:
        return None
    day = datetime.fromtimestamp(newest_us / 1e6, UTC).date() + timedelta(days=1)
    while (start := calendar(station, day, day).start_us) > newest_us:
        day -= timedelta(days=1)
    first_us = min(first for first, _, _ in data.journal.extent().values())
    whole = newest_us >= start + DAY - _WHOLE_US
    return day if whole or first_us >= start else day - timedelta(days=1)
