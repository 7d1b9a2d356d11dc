"""Days of chambers, plots and treatments."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stream.field.series import Calendar, FluxSeries, fractions
from stream.records import rfc3339
from stream.science.daily import HOURS, Days, daily_means, diel_course, pieces_of
from stream.science.weights import Weighted, by_area, over_plots, usual_ratios
from stream.station import Station

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ChamberDays:
    """Daily means of one chamber and gas."""

    series: FluxSeries
    days: Days


@dataclass(frozen=True, slots=True)
class PlotDays:
    """Daily means of one plot and gas, weighted by area."""

    plot: str
    block: str
    treatment: str
    gas: str
    days: Weighted


@dataclass(frozen=True, slots=True)
class TreatmentDays:
    """Daily means of one treatment and gas over its plots; arrays of shape (days,)."""

    treatment: str
    gas: str
    flux: Floats
    se: Floats
    plots: NDArray[np.int64]


def chamber_days(station: Station, series: FluxSeries, days: Calendar) -> ChamberDays:
    """Daily means of a chamber, missing hours allowed for by its own diel course."""
    rules = station.field
    found = daily_means(
        series.t_h,
        series.flux,
        series.fit_se,
        series.common_se,
        days.days,
        max_gap_h=rules.max_gap_h,
        min_coverage=rules.min_coverage,
        course=diel_course(series.t_h, series.flux, max_gap_h=rules.max_gap_h),
    )
    return ChamberDays(series, found)


def plot_days(station: Station, chambers: Sequence[ChamberDays], days: Calendar) -> list[PlotDays]:
    """Positions weighted by their area to plots; chambers of one position are averaged.

    A plot without area fractions is the mean of its chambers. What is done about a
    position that is missing is ``field.missing_position``.
    """
    shares = fractions(station, days)
    found = []
    for (plot, gas), mine in _groups(chambers).items():
        places: dict[str, list[ChamberDays]] = {}
        for c in mine:
            places.setdefault(c.series.chamber.position if shares else "", []).append(c)
        flux = {name: _mean([c.days.flux for c in cs]) for name, cs in places.items()}
        se = {name: _mean_se([c.days.se for c in cs]) for name, cs in places.items()}
        weights = dict(shares) or {"": np.ones(days.days)}
        ratios = usual_ratios(flux) if station.field.missing_position == "ratio" else None
        first = mine[0].series.chamber
        weighted = by_area(flux, se, weights, ratios=ratios)
        found.append(PlotDays(plot, first.block, first.treatment, gas, weighted))
    return found


def _groups(chambers: Sequence[ChamberDays]) -> dict[tuple[str, str], list[ChamberDays]]:
    groups: dict[tuple[str, str], list[ChamberDays]] = {}
    for c in chambers:
        groups.setdefault((c.series.chamber.plot, c.series.gas), []).append(c)
    return groups


def _mean(columns: Sequence[Floats]) -> Floats:
    table = np.array(columns)
    count = (~np.isnan(table)).sum(axis=0)
    nothing = np.full(table.shape[1], np.nan)
    return np.asarray(np.divide(np.nansum(table, axis=0), count, out=nothing, where=count > 0))


def _mean_se(columns: Sequence[Floats]) -> Floats:
    table = np.array(columns)
    count = (~np.isnan(table)).sum(axis=0)
    nothing = np.full(table.shape[1], np.nan)
    root = np.sqrt(np.nansum(table**2, axis=0))
    return np.asarray(np.divide(root, count, out=nothing, where=count > 0))


def treatment_days(plots: Sequence[PlotDays]) -> list[TreatmentDays]:
    """Mean over the plots of a treatment, with the standard error of the replicates."""
    groups: dict[tuple[str, str], list[PlotDays]] = {}
    for p in plots:
        groups.setdefault((p.treatment, p.gas), []).append(p)
    return [
        TreatmentDays(treatment, gas, *over_plots([p.days.flux for p in mine]))
        for (treatment, gas), mine in groups.items()
    ]


def daily_rows(
    station: Station,
    chambers: Sequence[ChamberDays],
    days: Calendar,
    drivers: Sequence[Mapping[str, Floats]],
) -> Iterator[dict[str, Any]]:
    """One row a chamber, gas and day, also where nothing was measured, with its drivers."""
    for c, beside in zip(chambers, drivers, strict=True):
        place, d = c.series.chamber, c.days
        for i in range(days.days):
            words = ["diel_corrected"] if d.corrected[i] else []
            if np.isnan(d.flux[i]):
                words.append("too_little_covered")
            yield {
                "station": station.id,
                "chamber": place.id,
                "plot": place.plot,
                "block": place.block,
                "treatment": place.treatment,
                "position": place.position,
                "gas": c.series.gas,
                "day": days.day(i).isoformat(),
                "flux_nmol_m2_s": _cell(d.flux[i]),
                "flux_se_nmol_m2_s": _cell(d.se[i]),
                "coverage": float(d.coverage[i]),
                "fluxes": int(d.fluxes[i]),
                "flags": " ".join(words),
                **{name: _cell(values[i]) for name, values in beside.items()},
            }


def hourly_rows(
    station: Station, series: Sequence[FluxSeries], days: Calendar
) -> Iterator[dict[str, Any]]:
    """One row a chamber, gas and hour of the days; hours that nothing covers are left out."""
    n = days.days * HOURS
    for s in series:
        pieces = pieces_of(s.t_h, station.field.max_gap_h)
        if not len(pieces.hour):
            continue
        inside = (pieces.hour >= 0) & (pieces.hour < n)
        hour, weight = pieces.hour[inside], pieces.weight[inside]
        left, share = pieces.left[inside], pieces.share[inside]
        error = np.hypot(s.fit_se, s.common_se)
        covered = np.bincount(hour, weight, minlength=n)
        sums = [
            np.bincount(hour, weight * (share * v[left] + (1 - share) * v[left + 1]), minlength=n)
            for v in (s.flux, error)
        ]
        place = s.chamber
        for i in np.flatnonzero(covered > 0):
            yield {
                "station": station.id,
                "chamber": place.id,
                "plot": place.plot,
                "block": place.block,
                "treatment": place.treatment,
                "position": place.position,
                "gas": s.gas,
                "hour_at": rfc3339(days.start_us + int(i) * 3_600_000_000),
                "flux_nmol_m2_s": float(sums[0][i] / covered[i]),
                "flux_se_nmol_m2_s": float(sums[1][i] / covered[i]),
                "coverage": float(covered[i]),
            }


def field_rows(
    station: Station,
    plots: Sequence[PlotDays],
    treatments: Sequence[TreatmentDays],
    days: Calendar,
) -> Iterator[dict[str, Any]]:
    """One row a plot, gas and day, then one a treatment, gas and day."""
    for p in plots:
        for i in range(days.days):
            words = ["position_estimated"] if p.days.estimated[i] else []
            if np.isnan(p.days.flux[i]):
                words.append("position_missing")
            yield {
                "station": station.id,
                "level": "plot",
                "plot": p.plot,
                "block": p.block,
                "treatment": p.treatment,
                "gas": p.gas,
                "day": days.day(i).isoformat(),
                "flux_nmol_m2_s": _cell(p.days.flux[i]),
                "flux_se_nmol_m2_s": _cell(p.days.se[i]),
                "area_measured": float(p.days.measured[i]),
                "plots": 1,
                "flags": " ".join(words),
            }
    for t in treatments:
        for i in range(days.days):
            yield {
                "station": station.id,
                "level": "treatment",
                "plot": "",
                "block": "",
                "treatment": t.treatment,
                "gas": t.gas,
                "day": days.day(i).isoformat(),
                "flux_nmol_m2_s": _cell(t.flux[i]),
                "flux_se_nmol_m2_s": _cell(t.se[i]),
                "area_measured": None,
                "plots": int(t.plots[i]),
                "flags": "" if t.plots[i] else "no_plot",
            }


def _cell(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
