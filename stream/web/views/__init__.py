"""What can be looked at: a module a view, with its template and the data of its charts."""

from typing import Final

from starlette.routing import Route

from stream.web.views import (
    closure,
    coverage,
    day,
    download,
    faults,
    field,
    log,
    now,
    series,
    standards,
)

VIEWS: Final = (now, day, closure, series, coverage, faults, standards, field, log, download)


def routes() -> list[Route]:
    """Where they are."""
    return [route for view in VIEWS for route in view.ROUTES]
