"""What the handlers of the page share: the store, the rates, and how a page is made."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from jinja2 import Environment
from starlette.requests import Request
from starlette.responses import HTMLResponse

from stream import __version__
from stream.secret import Secret
from stream.station import StationFile
from stream.store import Store
from stream.store.station_data import StationData
from stream.web.security import Rate, form_word
from stream.web.sessions import writer_of
from stream.web.totals import TotalsCache

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

Samples = Callable[[StationData, str, int, int, int], Mapping[str, Mapping[str, Any]]]
"""``samples(data, chamber, closed_us, opened_us, open_gap_us)``: what was recorded, by gas."""


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
    token : Secret or None
        The word that lets people write.
    closed : str
        Why nobody may write; empty where people may.
    """

    file: StationFile
    url: str
    store: Store
    samples: Samples
    noted: Callable[[], None]
    token: Secret | None
    closed: str
    templates: Environment
    totals: TotalsCache = field(default_factory=TotalsCache)
    sign_ins: Rate = field(default_factory=lambda: Rate(5, 60.0))
    writings: Rate = field(default_factory=lambda: Rate(20, 60.0))
    downloads: Rate = field(default_factory=lambda: Rate(10, 60.0))

    def data(self) -> StationData:
        """The store as it is now."""
        return StationData.over(self.file, self.store)

    def show(
        self, request: Request, template: str, status: int = 200, **content: Any
    ) -> HTMLResponse:
        """A page."""
        station = self.file.station
        common = {
            "path": request.url.path,
            "station": station,
            "name": station.station.name or station.id,
            "writer": writer_of(request) if self.token else None,
            "may_write": self.token is not None,
            "closed": self.closed,
            "refused": self.file.refused,
            "changed": self.file.changed,
            "form_word": form_word(request),
            "navigation": NAVIGATION,
            "version": __version__,
        }
        made = self.templates.get_template(template).render({**common, **content})
        return HTMLResponse(made, status)


def site_of(request: Request) -> Site:
    """What the handlers share."""
    site: Site = request.app.state.site
    return site
