"""One closure: its points, every model's curve, why one was chosen, and all that is known."""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from stream.columns import FACTS, columns
from stream.science.flux.units import sign
from stream.science.models import MODELS
from stream.station import gases_of
from stream.store.results.readers import Period
from stream.store.station_data import StationData
from stream.times import SECOND
from stream.web import query
from stream.web.charts import as_json
from stream.web.site import Samples, site_of

REASONS: Final = {
    "curve_resolved": "The curve is better than the line by more than chance would have it.",
    "line_suffices": "The line does as well as any curve.",
    "curve_too_sharp": "The curve is over sooner than the points can show; the line stands.",
    "bends_the_wrong_way": "The points bend away from what a filling headspace does.",
    "few_points": "There are too few points to tell a curve from a line.",
    "only_candidate": "The station file names one model.",
    "set_by_station_file": "The station file sets the model.",
    "no_fit": "No model could be fitted.",
}
_STEPS: Final = 160


def closure_of(data: StationData, chamber: str, closed_us: int) -> dict[str, Any] | None:
    """A closure with its fluxes, fits, revisions and neighbours; None where there is none."""
    revisions = data.reader.closure(chamber, closed_us)
    standing = [r for r in revisions if r["current"] and not r["withdrawn"]]
    if not standing:
        return None
    before, after = data.reader.neighbours(chamber, closed_us)
    fluxes = [
        row
        for row in data.reader.fluxes(Period(closed_us, closed_us + 1))
        if row["chamber"] == chamber
    ]
    order = gases_of(data.file.station)
    fluxes.sort(key=lambda row: order.index(row["gas"]) if row["gas"] in order else len(order))
    return {
        "row": standing[0],
        "revisions": revisions,
        "before": before,
        "after": after,
        "fluxes": fluxes,
    }


def drawn(data: StationData, found: Mapping[str, Any], samples: Samples) -> dict[str, Any]:
    """What the chart of a closure needs, gas by gas."""
    row = found["row"]
    chamber, closed, opened = row["chamber"], row["closed_us"], row["opened_us"]
    gap = round((row["open_gap_s"] or 0.0) * SECOND)
    seen = samples(data, chamber, closed, opened, gap)
    visits = data.reader.visits_of(chamber, closed, row["revision"])
    gases = {}
    for flux in found["fluxes"]:
        gas = flux["gas"]
        points = seen.get(gas)
        if points is None:
            mine = [v for v in visits if v["gas"] == gas and v["value_nmol_mol"] is not None]
            points = {
                "fitted": {
                    "t": [(v["mid_us"] - closed) / SECOND for v in mine],
                    "y": [v["value_nmol_mol"] for v in mine],
                },
                "left_out": {"t": [], "y": []},
            }
        gases[gas] = _gas(flux, points)
    length = (opened - closed) / SECOND
    return {"gases": gases, "length_s": length}


def _gas(flux: Mapping[str, Any], points: Mapping[str, Any]) -> dict[str, Any]:
    fitted_t = np.array(points["fitted"]["t"], dtype=float)
    fitted_y = np.array(points["fitted"]["y"], dtype=float)
    curves: dict[str, Any] = {}
    residuals: list[float] = []
    if len(fitted_t):
        t = np.linspace(0.0, float(fitted_t[-1]), _STEPS)
        for name, m in flux["models"].items():
            if name not in MODELS or m["status"] != "ok" or m["slope_nmol_mol_s"] is None:
                continue
            numbers = (m["start_mole_fraction"], m["slope_nmol_mol_s"], m["curvature"] or 0.0)
            curve = MODELS[name].curve
            curves[name] = {"t": t.tolist(), "y": curve(*numbers, t).tolist()}
            if name == flux["model"]:
                residuals = (fitted_y - curve(*numbers, fitted_t)).tolist()
    return {
        **points,
        "curves": curves,
        "chosen": flux["model"],
        "residuals": residuals,
        "window": [flux["window_start_s"], flux["window_end_s"]],
    }


def closure(request: Request) -> Response:
    """One closure."""
    site = site_of(request)
    data = site.data()
    chamber, closed = request.path_params["chamber"], query.identity(request, "closed_us")
    found = closure_of(data, chamber, closed)
    if found is None:
        raise HTTPException(404, "There is no such closure.")
    facts = [
        (column.label, found["row"][column.key], sign(column.unit))
        for column in columns(FACTS)
        if found["row"][column.key] not in {None, ""}
    ]
    return site.show(
        request, "closure.html", found=found, row=found["row"], facts=facts, reasons=REASONS
    )


def closure_data(request: Request) -> Response:
    """Points and curves of one closure."""
    site = site_of(request)
    data = site.data()
    closed = query.identity(request, "closed_us")
    found = closure_of(data, request.path_params["chamber"], closed)
    if found is None:
        raise HTTPException(404)
    return as_json(drawn(data, found, site.samples))


ROUTES: Final = [
    Route("/closure/{chamber}/{closed_us:int}", closure),
    Route("/data/closure/{chamber}/{closed_us:int}", closure_data),
]
