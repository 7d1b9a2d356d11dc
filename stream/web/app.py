"""The application: what is served, and by which rules."""

from collections.abc import Callable
from pathlib import Path
from typing import Final

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles

from stream.errors import StoreError
from stream.station import StationFile
from stream.store import Store
from stream.web import views
from stream.web.guests import SmallRequests
from stream.web.security import Guarded
from stream.web.sessions import LEAST_TOKEN, KeyFile, Sessions
from stream.web.site import Samples, Site, site_of
from stream.web.words import templates

_LOOPBACK: Final = ["127.0.0.1", "localhost", "[::1]", "::1"]


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
    rules, token, closed = file.station.page, file.page_token, why_nobody_may_write(file)
    if closed:
        token = None
    site = Site(file, url, store, samples, noted, token, closed, templates(file))
    keys = KeyFile(None if token is None else key_path(file, store))
    hosts = [rules.host, *_LOOPBACK] if rules.host in _LOOPBACK else ["*"]
    static = Path(__file__).parent / "static"
    app = Starlette(
        routes=[
            *views.routes(),
            Mount("/static", StaticFiles(directory=static)),
        ],
        middleware=[
            Middleware(Guarded),
            Middleware(SmallRequests),
            Middleware(TrustedHostMiddleware, allowed_hosts=hosts),
            Middleware(Sessions, keys=keys, token=token, secure=rules.secure),
        ],
        exception_handlers={HTTPException: _refuse, StoreError: _away, Exception: _broken},
    )
    app.state.site = site
    return app


def why_nobody_may_write(file: StationFile) -> str:
    """Why the page is for reading only; empty where people may write."""
    token = file.page_token
    if token is None:
        return "For reading only: the station file has no page.token."
    if len(token.reveal()) < LEAST_TOKEN:
        return f"For reading only: page.token has fewer than {LEAST_TOKEN} characters."
    if file.refused:
        # What would be written now might rest on numbers that cannot be right.
        return "For reading only until the station file is corrected."
    return ""


def key_path(file: StationFile, store: Store) -> Path:
    """Where the key lies that cookies are signed with."""
    folder = store.folder or file.path.resolve().parent
    return folder / f".{file.station.id}.page-key"


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
