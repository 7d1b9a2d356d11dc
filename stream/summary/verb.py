"""The verb ``summary``: one day, or yesterday, for the terminal or into a folder."""

import time
from contextlib import closing
from datetime import date

from stream.errors import CommandError
from stream.field.desk import Desk
from stream.station import StationFile
from stream.store import open_existing
from stream.summary.make import summarize, yesterday
from stream.summary.model import DaySummary


def summary_of(file: StationFile, url: str, day: date | None) -> DaySummary:
    """Sum up a day, and keep what was said of it if it is over.

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
        desk = Desk.over(file, store)
        wanted = day or last
        summary = summarize(desk, wanted, now_us=now if wanted == last else None)
        desk.kept.put(wanted, summary.as_dict(), now)
    return summary
