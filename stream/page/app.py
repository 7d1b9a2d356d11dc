"""The application: what is served, and by which rules."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.sessions import SessionMiddleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles

from stream import __version__
from stream.errors import StoreError
from stream.page.closure import Samples
from stream.page.security import SESSION_S, Guarded, Rate, form_word, session_key
from stream.page.totals import TotalsKept
from stream.records import SECOND
from stream.science.flags import FLAGS
from stream.station import StationFile, read_clock
from stream.store import Store
from stream.summary.make import Desk
from stream.summary.render import RANKS, VERDICTS, number

_LOOPBACK: Final = ["127.0.0.1", "localhost", "[::1]", "::1"]
QUALITY: Final = {
    0: ("", "nothing yet"),
    1: ("✓", "good"),
    2: ("…", "not evaluated"),
    3: ("?", "suspect"),
    4: ("✕", "bad"),
    9: ("–", "missing"),
}
"""Quality → sign and word; a colour goes with it, and never alone."""

NAVIGATION: Final = (
    ("/", "Today"),
    ("/series", "Fluxes"),
    ("/coverage", "Coverage"),
    ("/faults", "Faults"),
    ("/standards", "Standards"),
    ("/field", "Field totals"),
    ("/log", "Field log"),
    ("/download", "Download"),
)


@dataclass(slots=True)
class Site:
    """What the handlers share.

    Attributes
    ----------
    file : StationFile
    url : str
        Of the database, for exports.
    store : Store
    samples : callable
        See :data:`Samples`.
    noted : callable
        Called when somebody has written into the field log.
    """

    file: StationFile
    url: str
    store: Store
    samples: Samples
    noted: Callable[[], None]
    token: str | None
    templates: Environment
    totals: TotalsKept = field(default_factory=TotalsKept)
    sign_ins: Rate = field(default_factory=lambda: Rate(5, 60.0))
    writings: Rate = field(default_factory=lambda: Rate(20, 60.0))
    downloads: Rate = field(default_factory=lambda: Rate(10, 60.0))

    def desk(self) -> Desk:
        """The store as it is now."""
        return Desk.over(self.file, self.store)

    def show(
        self, request: Request, template: str, status: int = 200, **content: Any
    ) -> HTMLResponse:
        """A page."""
        station = self.file.station
        common = {
            "path": request.url.path,
            "station": station,
            "name": station.station.name or station.id,
            "writer": request.session.get("writer") if self.token else None,
            "may_write": self.token is not None,
            "form_word": form_word(request),
            "navigation": NAVIGATION,
            "version": __version__,
        }
        made = self.templates.get_template(template).render({**common, **content})
        return HTMLResponse(made, status)


def make_app(
    file: StationFile,
    url: str,
    store: Store,
    samples: Samples,
    noted: Callable[[], None] = lambda: None,
) -> Starlette:
    """The station page of one station.

    Parameters
    ----------
    file : StationFile
    url : str
        Of the database.
    store : Store
        Open.
    samples : callable
        See :data:`Samples`.
    noted : callable
        Called when somebody has written into the field log.

    Raises
    ------
    StationFileError
        The file of the token cannot be read.
    """
    from stream.page import views, writing

    rules, token = file.station.page, file.page_token
    site = Site(file, url, store, samples, noted, token, _templates(file))
    hosts = [rules.host, *_LOOPBACK] if rules.host in _LOOPBACK else ["*"]
    static = Path(__file__).parent / "static"
    app = Starlette(
        routes=[
            *views.routes(),
            *writing.routes(),
            Mount("/static", StaticFiles(directory=static)),
        ],
        middleware=[
            Middleware(Guarded),
            Middleware(TrustedHostMiddleware, allowed_hosts=hosts),
            Middleware(
                SessionMiddleware,
                secret_key=session_key(token),
                session_cookie="lidstream",
                max_age=SESSION_S,
                same_site="strict",
                https_only=rules.secure,
            ),
        ],
        exception_handlers={HTTPException: _refuse, StoreError: _away, Exception: _broken},
    )
    app.state.site = site
    return app


def site_of(request: Request) -> Site:
    """What the handlers share."""
    site: Site = request.app.state.site
    return site


def _refuse(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    words = {404: "There is nothing here.", 405: "That cannot be done here."}
    text = words.get(error.status_code, error.detail)
    return site_of(request).show(request, "message.html", error.status_code, text=text)


def _away(request: Request, error: Exception) -> Response:
    text = f"The database does not answer: {error}"
    return site_of(request).show(request, "message.html", 503, text=text)


def _broken(request: Request, _: Exception) -> Response:
    return HTMLResponse("<!doctype html><title>lidstream</title><p>Something broke.</p>", 500)


def _templates(file: StationFile) -> Environment:
    environment = Environment(
        loader=PackageLoader("stream.page"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )
    environment.filters.update(_filters(read_clock(file.station.station.timezone)))
    environment.globals.update(
        quality_of=QUALITY,
        verdicts=VERDICTS,
        ranks=RANKS,
        flags=FLAGS,
        zone=file.station.station.timezone,
    )
    return environment


def _filters(zone: tzinfo) -> Mapping[str, Callable[..., Any]]:
    def local(at: Any) -> datetime:
        if isinstance(at, int | float):
            return datetime.fromtimestamp(at / SECOND, UTC).astimezone(zone)
        return datetime.fromisoformat(at).astimezone(zone)

    return {
        "clock": lambda at: local(at).strftime("%H:%M"),
        "moment": lambda at: local(at).strftime("%Y-%m-%d %H:%M"),
        "second": lambda at: local(at).strftime("%Y-%m-%d %H:%M:%S"),
        "spoken": lambda word: str(word).replace("_", " "),
        "number": number,
        "age": age,
    }


def age(minutes: float | None) -> str:
    """How long ago, in the unit that people would use."""
    if minutes is None:
        return "never"
    span = timedelta(minutes=minutes)
    if span < timedelta(minutes=90):
        return f"{minutes:.0f} min ago"
    if span < timedelta(hours=36):
        return f"{minutes / 60:.0f} h ago"
    return f"{minutes / 1440:.0f} d ago"
