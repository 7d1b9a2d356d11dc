"""Fluxes over time, thinned for a screen so that every extreme stays."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from stream.field.days import chamber_days, treatment_days
from stream.field.series import calendar, day_at, flux_cells, read_series
from stream.station import gases_of
from stream.store.results.readers import Period
from stream.store.station_data import StationData
from stream.times import DAY, SECOND
from stream.web import query
from stream.web.charts import as_json, chart, events_between, line
from stream.web.site import site_of

Floats = NDArray[np.float64]
MOST: Final = 2000
"""Steps that a screen is divided into at most."""


def thinned(t: NDArray[np.int64], y: Floats, steps: int) -> NDArray[np.int64]:
    """Which points to draw: of each step of time the first, the last, the least, the greatest.

    Parameters
    ----------
    t : ndarray of int64, shape (n,)
        In order.
    y : ndarray, shape (n,)
        Finite.
    steps : int
        Into how many the time is divided.

    Returns
    -------
    ndarray of int64, shape (m,)
        Indices in order, m ≤ 4 × steps; all of them where there are no more than that.
    """
    n = len(t)
    if n <= 4 * steps or n < 3:
        return np.arange(n)
    span = max(1, int(t[-1]) - int(t[0]))
    step = np.minimum(((t - t[0]) * float(steps) / span).astype(np.int64), steps - 1)
    begins = np.flatnonzero(np.diff(step, prepend=-1))
    ends = np.append(begins[1:], n) - 1
    order = np.lexsort((y, step))
    return np.unique(np.concatenate((begins, ends, order[begins], order[ends])))


def chamber_series(
    data: StationData, gas: str, chambers: Sequence[str], period: Period, steps: int
) -> dict[str, Any]:
    """Every flux of some chambers, each by itself.

    Returns
    -------
    dict
        Of :func:`chart`, [nmol m⁻² s⁻¹]; flags of what is suspect or worse.
    """
    steps = max(10, min(steps, MOST))
    found, full = [], 0
    cells = flux_cells(data.flux_columns, period, (gas,), chambers, points=True)
    for name in chambers:
        if name not in cells:
            continue
        known = cells[name].filter(cells[name]["flux_nmol_m2_s"].is_valid())
        mid, closed, quality = (known[c].to_numpy() for c in ("mid_us", "closed_us", "quality"))
        y, se = (known[c].to_numpy() for c in ("flux_nmol_m2_s", "flux_se_nmol_m2_s"))
        flags = known["flags"].to_numpy()
        full += len(y)
        kept = np.zeros(len(y), dtype=bool)
        for part in (quality <= 2, quality > 2):
            at = np.flatnonzero(part)
            kept[at[thinned(mid[at], y[at], steps)]] = True
        found.append(
            line(
                name,
                (mid[kept] / SECOND).tolist(),
                y[kept].tolist(),
                se=[None if v is None or v != v else float(v) for v in se[kept]],
                quality=quality[kept].tolist(),
                closed_us=closed[kept].tolist(),
                flags=[f if q > 2 else "" for f, q in zip(flags[kept], quality[kept], strict=True)],
            )
        )
    return chart(found, full)


def treatment_series(data: StationData, gas: str, period: Period) -> dict[str, Any]:
    """Daily means of the treatments, weighted by area, over their plots."""
    station = data.file.station
    first, last = day_at(station, period.first_us), day_at(station, period.stop_us - 1)
    days = calendar(station, first, last)
    series = read_series(station, data.flux_columns, days, gas)
    chambers = [chamber_days(station, s, days) for s in series]
    found = []
    noon = (days.start_us + DAY // 2) / SECOND
    for means in treatment_days(station, chambers, days):
        there = np.flatnonzero(~np.isnan(means.flux))
        if len(there):
            found.append(
                line(
                    means.treatment or "all chambers",
                    (noon + there * (DAY / SECOND)).tolist(),
                    means.flux[there].tolist(),
                    se=[None if v != v else float(v) for v in means.se[there]],
                )
            )
    return chart(found)


def series(request: Request) -> Response:
    """Fluxes over time."""
    site = site_of(request)
    data = site.data()
    gas, chambers, by = _what(request, data)
    extent = query.extent_of(data)
    return site.show(
        request,
        "series.html",
        gases=gases_of(data.file.station),
        gas=gas,
        by=by,
        chosen=chambers,
        extent=extent,
        data=f"/data/series?{_query(gas, chambers, by)}",
    )


def series_data(request: Request) -> Response:
    """Fluxes of a stretch of time, thinned for a screen."""
    data = site_of(request).data()
    gas, chambers, by = _what(request, data)
    period = query.period(request, query.extent_of(data))
    if by == "treatment":
        found = treatment_series(data, gas, period)
    else:
        found = chamber_series(data, gas, chambers, period, query.whole(request, "steps", 800))
    found["events"] = events_between(data, period)
    found["from"], found["to"] = period.first_us / SECOND, period.stop_us / SECOND
    return as_json(found)


def _what(request: Request, data: StationData) -> tuple[str, list[str], str]:
    """Gas, chambers, and by what: as asked for, or the first plot's chambers."""
    gas = query.gas_of(request, data)
    station = data.file.station
    able = [c for c in station.chambers if gas in station.analyzer(c.analyzer).gases]
    given = set(request.query_params.getlist("chamber"))
    chosen = [c.id for c in able if c.id in given]
    by = "treatment" if request.query_params.get("by") == "treatment" else "chamber"
    if not chosen:
        chosen = [c.id for c in able if c.plot == able[0].plot]
    return gas, chosen, by


def _query(gas: str, chambers: Sequence[str], by: str) -> str:
    return "&".join([f"gas={gas}", f"by={by}", *(f"chamber={c}" for c in chambers)])


ROUTES: Final = [
    Route("/series", series),
    Route("/data/series", series_data),
]
