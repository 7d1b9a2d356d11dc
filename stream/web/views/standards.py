"""Standards over time: how far off each was shown."""

from typing import Any, Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from stream.report.summary.standards import deviations, standards_of
from stream.store.results.readers import Period
from stream.store.station_data import StationData
from stream.times import DAY, SECOND
from stream.web import query
from stream.web.charts import as_json, chart, line
from stream.web.site import site_of


def standard_series(data: StationData, analyzer: str, gas: str, period: Period) -> dict[str, Any]:
    """Deviation of each visit from the standard's value [%], one series a standard.

    Zero gas is given as the value shown [nmol mol⁻¹], and left out here.
    """
    rows: dict[tuple[int, float], list[dict[str, Any]]] = {}
    for r in data.reader.standard_visits(period):
        if (r["analyzer"], r["gas"]) == (analyzer, gas):
            rows.setdefault((r["port"], r["standard_nmol_mol"]), []).append(r)
    lines = []
    for (port, value), visits in sorted(rows.items()):
        found = deviations(visits)
        if found:
            name = f"port {port}, {value:g} nmol/mol"
            lines.append(
                line(name, [at / SECOND for at, _ in found], [100.0 * d for _, d in found])
            )
    return {**chart(lines), "events": []}


def standards(request: Request) -> Response:
    """Standard gases, and how far off they were shown."""
    site = site_of(request)
    data = site.data()
    station = data.file.station
    pairs = [
        (a.id, gas) for a in station.analyzers if a.selector and a.standards for gas in a.gases
    ]
    chosen = request.query_params.get("of", "")
    at = next((p for p in pairs if f"{p[0]} {p[1]}" == chosen), pairs[0] if pairs else None)
    stop = query.extent_of(data).stop_us
    table = standards_of(station, data.reader, Period(stop - DAY, stop))
    series = "" if at is None else f"/data/standards?analyzer={at[0]}&gas={at[1]}"
    return site.show(
        request, "standards.html", pairs=pairs, at=at, table=table, data=series,
        analyzers=station.analyzers,
    )  # fmt: skip


def standards_data(request: Request) -> Response:
    """Deviations of one analyzer and gas."""
    data = site_of(request).data()
    analyzer = request.query_params.get("analyzer", "")
    gas = request.query_params.get("gas", "")
    period = query.period(request, query.extent_of(data))
    found = standard_series(data, analyzer, gas, period)
    found["from"], found["to"] = period.first_us / SECOND, period.stop_us / SECOND
    return as_json(found)


ROUTES: Final = [
    Route("/standards", standards),
    Route("/data/standards", standards_data),
]
