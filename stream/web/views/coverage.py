"""A month of every chamber: how many closures came, and how many were usable."""

from calendar import monthrange
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from stream.field.series import calendar, day_at, is_usable
from stream.station import gases_of
from stream.store.results.readers import Period
from stream.store.station_data import StationData
from stream.times import DAY
from stream.web import query
from stream.web.site import site_of


@dataclass(slots=True)
class Cell:
    """One chamber and day."""

    due: int = 0
    got: int = 0
    usable: int = 0

    @property
    def mark(self) -> str:
        """A sign and a word: all usable, some, none, or nothing due."""
        if self.due == 0:
            return "nothing"
        if self.usable >= self.due:
            return "all"
        return "some" if self.usable else "none"


SIGNS = {"all": "●", "some": "◐", "none": "○", "nothing": "·"}
WORDS = {"all": "all usable", "some": "some usable", "none": "none usable", "nothing": "none due"}


def month_of(data: StationData, gas: str, first: date) -> dict[str, Any]:
    """The month that a day lies in.

    Returns
    -------
    dict
        ``days``; ``rows``, (chamber, position, cells); ``before`` and ``after``, first days of
        the months beside it.
    """
    station = data.file.station
    begin = first.replace(day=1)
    count = monthrange(begin.year, begin.month)[1]
    days = calendar(station, begin, begin + timedelta(days=count - 1))
    period = Period(days.start_us, days.start_us + count * DAY)
    table = {c.id: [Cell() for _ in range(count)] for c in station.chambers}
    for r in data.reader.flux_flags(period):
        if r["gas"] != gas or r["chamber"] not in table:
            continue
        cell = table[r["chamber"]][(r["closed_us"] - days.start_us) // DAY]
        cell.due += 1
        cell.got += 1
        cell.usable += is_usable(station, r)
    for r in data.reader.gaps(period):
        if r["chamber"] in table:
            table[r["chamber"]][(r["due_us"] - days.start_us) // DAY].due += 1
    measured = {c.id for c in station.chambers if gas in station.analyzer(c.analyzer).gases}
    rows = [(c.id, c.position, table[c.id]) for c in station.chambers if c.id in measured]
    return {
        "first": begin,
        "days": [days.day(i) for i in range(count)],
        "rows": rows,
        "before": (begin - timedelta(days=1)).replace(day=1),
        "after": begin + timedelta(days=count),
        "signs": SIGNS,
        "words": WORDS,
    }


def coverage(request: Request) -> Response:
    """A month of every chamber."""
    site = site_of(request)
    data = site.data()
    station = data.file.station
    extent = query.extent_of(data)
    last = day_at(station, extent.stop_us - 1)
    given = request.query_params.get("month", "")
    first = query.day_of(f"{given}-01") if given else last
    gas = query.gas_of(request, data)
    return site.show(
        request, "coverage.html", month=month_of(data, gas, first), gas=gas,
        gases=gases_of(station),
    )  # fmt: skip


ROUTES: Final = [
    Route("/coverage", coverage),
]
