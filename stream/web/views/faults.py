"""What went wrong in the last days."""

from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from stream.ingest.refusals import by_reason
from stream.report.summary.closures import DayRows, faults_of
from stream.store.messages import Messages
from stream.store.results.readers import Period
from stream.times import DAY
from stream.web import query
from stream.web.site import site_of

_DAYS: Final = (1, 7, 30)


def faults(request: Request) -> Response:
    """What went wrong in the last days."""
    site = site_of(request)
    data = site.data()
    length = query.whole(request, "days", 7)
    if length not in _DAYS:
        length = 7
    stop = query.extent_of(data).stop_us
    rows = DayRows.read(data.reader, Period(stop - length * DAY, stop))
    return site.show(
        request,
        "faults.html",
        faults=faults_of(rows),
        days=length,
        choices=_DAYS,
        quarantined=data.reader.quarantined(),
        refusals=by_reason(data.reader.quarantine()),
        lines=data.reader.quarantine_newest(50),
        incidents=Messages(site.store, data.file.station.id).incidents()[:50],
        summaries=data.kept.days()[::-1][:31],
    )


ROUTES: Final = [
    Route("/faults", faults),
]
