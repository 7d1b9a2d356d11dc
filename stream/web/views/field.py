"""Totals of the treatments up to the last whole day."""

from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from stream.station import gases_of
from stream.times import SECOND
from stream.web import query
from stream.web.charts import as_json, chart, events_between
from stream.web.site import site_of


def field_totals(request: Request) -> Response:
    """Totals of the treatments up to the last whole day."""
    site = site_of(request)
    data = site.data()
    gas = query.gas_of(request, data)
    found = site.totals.of(data)
    return site.show(
        request, "field.html", found=found, gas=gas, gases=gases_of(data.file.station),
        data=f"/data/field?gas={gas}",
    )  # fmt: skip


def field_data(request: Request) -> Response:
    """Cumulative emissions of the treatments."""
    site = site_of(request)
    data = site.data()
    found = chart(site.totals.of(data).cumulative(query.gas_of(request, data)))
    extent = query.extent_of(data)
    found["events"] = events_between(data, extent)
    found["from"], found["to"] = extent.first_us / SECOND, extent.stop_us / SECOND
    return as_json(found)


ROUTES: Final = [
    Route("/field", field_totals),
    Route("/data/field", field_data),
]
