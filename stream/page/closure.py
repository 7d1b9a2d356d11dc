"""One closure: its points, every model's curve, why one was chosen, and all that is known."""

from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np

from stream.field.desk import Desk
from stream.records import SECOND
from stream.science.models.curve import curve
from stream.store.readers import Period

Samples = Callable[[Desk, str, int, int, int], Mapping[str, Mapping[str, Any]]]
"""``samples(desk, chamber, closed_us, opened_us, open_gap_us)``: what was recorded, by gas."""

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
FACTS: Final = {
    "revision": ("revision", ""),
    "analyzer": ("analyzer", ""),
    "plot": ("plot", ""),
    "block": ("block", ""),
    "treatment": ("treatment", ""),
    "position": ("position", ""),
    "height_m": ("headspace height", "m"),
    "volume_m3": ("volume, tubing and cell included", "m³"),
    "area_m2": ("area", "m²"),
    "air_temperature_c": ("headspace temperature", "°C"),
    "pressure_pa": ("pressure", "Pa"),
    "soil_temperature_c": ("soil temperature", "°C"),
    "soil_moisture_m3_m3": ("soil moisture", "m³ m⁻³"),
    "wfps": ("water-filled pore space", ""),
    "water_mol_mol": ("water vapour", "mol mol⁻¹"),
    "close_gap_s": ("between the last open and the first closed record", "s"),
    "open_gap_s": ("between the last closed and the first open record", "s"),
    "moving_s": ("lid moving before it closed", "s"),
    "bounces": ("bounces of the lid", ""),
    "station_digest": ("digest of the station file", ""),
    "software_version": ("software version", ""),
    "result_digest": ("digest of this result", ""),
}
"""Column of a closure → what it is called, and its unit."""
_STEPS: Final = 160


def closure_of(desk: Desk, chamber: str, closed_us: int) -> dict[str, Any] | None:
    """A closure with its fluxes, fits, revisions and neighbours; None where there is none."""
    revisions = desk.reader.closure(chamber, closed_us)
    standing = [r for r in revisions if r["current"] and not r["withdrawn"]]
    if not standing:
        return None
    before, after = desk.reader.neighbours(chamber, closed_us)
    fluxes = [
        row
        for row in desk.reader.fluxes(Period(closed_us, closed_us + 1))
        if row["chamber"] == chamber
    ]
    order = [g for a in desk.file.station.analyzers for g in a.gases]
    fluxes.sort(key=lambda row: order.index(row["gas"]) if row["gas"] in order else len(order))
    return {
        "row": standing[0],
        "revisions": revisions,
        "before": before,
        "after": after,
        "fluxes": fluxes,
    }


def drawn(desk: Desk, found: Mapping[str, Any], samples: Samples) -> dict[str, Any]:
    """What the chart of a closure needs, gas by gas."""
    row = found["row"]
    chamber, closed, opened = row["chamber"], row["closed_us"], row["opened_us"]
    gap = round((row["open_gap_s"] or 0.0) * SECOND)
    seen = samples(desk, chamber, closed, opened, gap)
    visits = desk.reader.visits_of(chamber, closed, row["revision"])
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
            if m["status"] != "ok" or m["slope_nmol_mol_s"] is None:
                continue
            numbers = (m["start_mole_fraction"], m["slope_nmol_mol_s"], m["curvature"] or 0.0)
            curves[name] = {"t": t.tolist(), "y": curve(name, *numbers, t).tolist()}
            if name == flux["model"]:
                residuals = (fitted_y - curve(name, *numbers, fitted_t)).tolist()
    return {
        **points,
        "curves": curves,
        "chosen": flux["model"],
        "residuals": residuals,
        "window": [flux["window_start_s"], flux["window_end_s"]],
    }
