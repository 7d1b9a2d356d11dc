"""Files that people take away."""

import tempfile
from datetime import datetime, time, tzinfo
from pathlib import Path
from typing import Final

from starlette.background import BackgroundTask
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from stream.errors import CommandError, LidstreamError
from stream.report.export import FORMATS, export
from stream.station import read_clock
from stream.times import DAY, to_micros
from stream.web import query as asked
from stream.web.security import client_of
from stream.web.site import site_of

WHAT: Final = ("fluxes", "closures", "daily", "field", "season", "records")


def download(request: Request) -> Response:
    """Files to take away."""
    site = site_of(request)
    given = request.query_params
    formats = [f.removeprefix(".") for f in FORMATS]
    if "what" not in given:
        return site.show(request, "download.html", what=WHAT, formats=formats, text="")
    what, kind = given["what"], given.get("format", "csv")
    if what not in WHAT or kind not in formats:
        raise HTTPException(404)
    if not site.downloads.allows(client_of(request)):
        raise HTTPException(429, "Too many downloads; wait a minute.")
    zone = read_clock(site.file.station.station.timezone)
    folder = Path(tempfile.mkdtemp(prefix="lidstream-"))
    name = f"{site.file.station.id}-{what}.{kind}"
    try:
        bounds = [_bound(given.get(key, ""), zone) for key in ("from", "to")]
        stop = None if bounds[1] is None else bounds[1] + DAY
        export(site.file, what, folder / name, site.url, first=bounds[0], stop=stop)
    except LidstreamError as error:
        _sweep(folder)
        return site.show(request, "download.html", 400, what=WHAT, formats=formats, text=str(error))
    return FileResponse(folder / name, filename=name, background=BackgroundTask(_sweep, folder))


def _sweep(folder: Path) -> None:
    for path in folder.iterdir():
        path.unlink()
    folder.rmdir()


def _bound(text: str, zone: tzinfo) -> int | None:
    if not text:
        return None
    try:
        day = asked.day_of(text[:10])
    except HTTPException:
        raise CommandError(f"{text[:40]!r} is not a day like 2026-06-15") from None
    return to_micros(datetime.combine(day, time(), zone))


ROUTES: Final = [Route("/download", download)]
