"""Pages for reading, and the data that their charts ask for."""

import base64
import hashlib
import math
from collections.abc import Sequence
from datetime import date
from typing import Any, Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from stream.field.desk import Desk
from stream.field.series import day_at
from stream.page import asked
from stream.page.closure import FACTS, REASONS, closure_of, drawn
from stream.page.coverage import month_of
from stream.page.line import chart
from stream.page.plan import LID_WORDS, plan_of
from stream.page.security import POLICY
from stream.page.series import (
    chamber_series,
    events_between,
    extent_of,
    gases_of,
    treatment_series,
)
from stream.page.site import site_of
from stream.page.standards import standard_series
from stream.records import DAY, SECOND
from stream.refusals import by_reason
from stream.store.messages import Messages
from stream.store.readers import Period
from stream.summary.closures import DayRows, faults_of
from stream.summary.make import summarize, yesterday
from stream.summary.render import as_html
from stream.summary.standards import standards_of

_DAYS: Final = (1, 7, 30)


def now(request: Request) -> Response:
    """What must be done today, and every chamber in the layout of the plots."""
    site = site_of(request)
    desk = site.desk()
    days = desk.kept.days()
    last = desk.kept.get(date.fromisoformat(days[-1])) if days else None
    return site.show(
        request,
        "now.html",
        plan=plan_of(desk),
        lid_words=LID_WORDS,
        incidents=Messages(site.store, desk.file.station.id).incidents(open_only=True),
        summary=None if last is None else last["content"],
        gases=gases_of(desk.file.station),
    )


def day(request: Request) -> Response:
    """The morning summary of one day, as it is mailed."""
    site = site_of(request)
    desk = site.desk()
    wanted = asked.day_of(request.path_params["day"])
    if wanted > yesterday(desk.file.station):
        raise HTTPException(404, "That day is not over.")
    summary = summarize(desk, wanted)
    html = as_html(summary)
    # As it is mailed, with its style inside: that one style, and no other, may stand there.
    style = html[html.index("<style>") + 7 : html.index("</style>")].encode()
    known = base64.b64encode(hashlib.sha256(style).digest()).decode()
    answer = Response(html, media_type="text/html")
    answer.headers["Content-Security-Policy"] = POLICY.replace(
        "style-src 'self'", f"style-src 'sha256-{known}'"
    )
    return answer


def closure(request: Request) -> Response:
    """One closure."""
    site = site_of(request)
    desk = site.desk()
    chamber, closed = request.path_params["chamber"], asked.identity(request, "closed_us")
    found = closure_of(desk, chamber, closed)
    if found is None:
        raise HTTPException(404, "There is no such closure.")
    facts = [
        (word, found["row"][key], unit)
        for key, (word, unit) in FACTS.items()
        if found["row"][key] not in {None, ""}
    ]
    return site.show(
        request, "closure.html", found=found, row=found["row"], facts=facts, reasons=REASONS
    )


def closure_data(request: Request) -> Response:
    """Points and curves of one closure."""
    site = site_of(request)
    desk = site.desk()
    closed = asked.identity(request, "closed_us")
    found = closure_of(desk, request.path_params["chamber"], closed)
    if found is None:
        raise HTTPException(404)
    return _json(drawn(desk, found, site.samples))


def series(request: Request) -> Response:
    """Fluxes over time."""
    site = site_of(request)
    desk = site.desk()
    gas, chambers, by = _what(request, desk)
    extent = extent_of(desk)
    return site.show(
        request,
        "series.html",
        gases=gases_of(desk.file.station),
        gas=gas,
        by=by,
        chosen=chambers,
        extent=extent,
        data=f"/data/series?{_query(gas, chambers, by)}",
    )


def series_data(request: Request) -> Response:
    """Fluxes of a stretch of time, thinned for a screen."""
    desk = site_of(request).desk()
    gas, chambers, by = _what(request, desk)
    period = asked.period(request, extent_of(desk))
    if by == "treatment":
        found = treatment_series(desk, gas, period)
    else:
        found = chamber_series(desk, gas, chambers, period, asked.whole(request, "steps", 800))
    found["events"] = events_between(desk, period)
    found["from"], found["to"] = period.first_us / SECOND, period.stop_us / SECOND
    return _json(found)


def coverage(request: Request) -> Response:
    """A month of every chamber."""
    site = site_of(request)
    desk = site.desk()
    station = desk.file.station
    extent = extent_of(desk)
    last = day_at(station, extent.stop_us - 1)
    given = request.query_params.get("month", "")
    first = asked.day_of(f"{given}-01") if given else last
    gas = _gas(request, desk)
    return site.show(
        request, "coverage.html", month=month_of(desk, gas, first), gas=gas,
        gases=gases_of(station),
    )  # fmt: skip


def faults(request: Request) -> Response:
    """What went wrong in the last days."""
    site = site_of(request)
    desk = site.desk()
    length = asked.whole(request, "days", 7)
    if length not in _DAYS:
        length = 7
    stop = extent_of(desk).stop_us
    rows = DayRows.read(desk.reader, Period(stop - length * DAY, stop))
    return site.show(
        request,
        "faults.html",
        faults=faults_of(rows),
        days=length,
        choices=_DAYS,
        quarantined=desk.reader.quarantined(),
        refusals=by_reason(desk.reader.quarantine()),
        lines=desk.reader.quarantine_newest(50),
        incidents=Messages(site.store, desk.file.station.id).incidents()[:50],
        summaries=desk.kept.days()[::-1][:31],
    )


def standards(request: Request) -> Response:
    """Standard gases, and how far off they were shown."""
    site = site_of(request)
    desk = site.desk()
    station = desk.file.station
    pairs = [
        (a.id, gas) for a in station.analyzers if a.selector and a.standards for gas in a.gases
    ]
    chosen = request.query_params.get("of", "")
    at = next((p for p in pairs if f"{p[0]} {p[1]}" == chosen), pairs[0] if pairs else None)
    stop = extent_of(desk).stop_us
    table = standards_of(station, desk.reader, Period(stop - DAY, stop))
    data = "" if at is None else f"/data/standards?analyzer={at[0]}&gas={at[1]}"
    return site.show(
        request, "standards.html", pairs=pairs, at=at, table=table, data=data,
        analyzers=station.analyzers,
    )  # fmt: skip


def standards_data(request: Request) -> Response:
    """Deviations of one analyzer and gas."""
    desk = site_of(request).desk()
    analyzer = request.query_params.get("analyzer", "")
    gas = request.query_params.get("gas", "")
    period = asked.period(request, extent_of(desk))
    found = standard_series(desk, analyzer, gas, period)
    found["from"], found["to"] = period.first_us / SECOND, period.stop_us / SECOND
    return _json(found)


def field_totals(request: Request) -> Response:
    """Totals of the treatments up to the last whole day."""
    site = site_of(request)
    desk = site.desk()
    gas = _gas(request, desk)
    found = site.totals.of(desk)
    return site.show(
        request, "field.html", found=found, gas=gas, gases=gases_of(desk.file.station),
        data=f"/data/field?gas={gas}",
    )  # fmt: skip


def field_data(request: Request) -> Response:
    """Cumulative emissions of the treatments."""
    site = site_of(request)
    desk = site.desk()
    found = chart(site.totals.of(desk).cumulative(_gas(request, desk)))
    extent = extent_of(desk)
    found["events"] = events_between(desk, extent)
    found["from"], found["to"] = extent.first_us / SECOND, extent.stop_us / SECOND
    return _json(found)


def routes() -> list[Route]:
    """Where these are."""
    return [
        Route("/", now),
        Route("/day/{day}", day),
        Route("/closure/{chamber}/{closed_us:int}", closure),
        Route("/data/closure/{chamber}/{closed_us:int}", closure_data),
        Route("/series", series),
        Route("/data/series", series_data),
        Route("/coverage", coverage),
        Route("/faults", faults),
        Route("/standards", standards),
        Route("/data/standards", standards_data),
        Route("/field", field_totals),
        Route("/data/field", field_data),
    ]


def _json(content: Any) -> JSONResponse:
    return JSONResponse(_finite(content))


def _finite(content: Any) -> Any:
    """JSON knows no NaN."""
    if isinstance(content, float):
        return content if math.isfinite(content) else None
    if isinstance(content, dict):
        return {k: _finite(v) for k, v in content.items()}
    if isinstance(content, list):
        return [_finite(v) for v in content]
    return content


def _gas(request: Request, desk: Desk) -> str:
    gases = gases_of(desk.file.station)
    given = request.query_params.get("gas", "")
    return given if given in gases else gases[0]


def _what(request: Request, desk: Desk) -> tuple[str, list[str], str]:
    """Gas, chambers, and by what: as asked for, or the first plot's chambers."""
    gas = _gas(request, desk)
    station = desk.file.station
    able = [c for c in station.chambers if gas in station.analyzer(c.analyzer).gases]
    given = set(request.query_params.getlist("chamber"))
    chosen = [c.id for c in able if c.id in given]
    by = "treatment" if request.query_params.get("by") == "treatment" else "chamber"
    if not chosen:
        chosen = [c.id for c in able if c.plot == able[0].plot]
    return gas, chosen, by


def _query(gas: str, chambers: Sequence[str], by: str) -> str:
    return "&".join([f"gas={gas}", f"by={by}", *(f"chamber={c}" for c in chambers)])
