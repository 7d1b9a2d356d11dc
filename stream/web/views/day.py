"""The morning summary of one day, as it is mailed."""

import base64
import hashlib
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from stream.report.summary.day_summary import summarize, yesterday
from stream.report.summary.render import as_html
from stream.web import query
from stream.web.security import POLICY
from stream.web.site import site_of


def day(request: Request) -> Response:
    """The morning summary of one day, as it is mailed."""
    site = site_of(request)
    data = site.data()
    wanted = query.day_of(request.path_params["day"])
    if wanted > yesterday(data.file.station):
        raise HTTPException(404, "That day is not over.")
    summary = summarize(data, wanted)
    html = as_html(summary)
    # As it is mailed, with its style inside: that one style, and no other, may stand there.
    style = html[html.index("<style>") + 7 : html.index("</style>")].encode()
    known = base64.b64encode(hashlib.sha256(style).digest()).decode()
    answer = Response(html, media_type="text/html")
    answer.headers["Content-Security-Policy"] = POLICY.replace(
        "style-src 'self'", f"style-src 'sha256-{known}'"
    )
    return answer


ROUTES: Final = [
    Route("/day/{day}", day),
]
