"""Days of chambers, plots and treatments."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stream.field.replicates import designs, places_of
from stream.field.series import Calendar, FluxSeries, fractions
from stream.science.field.daily import HOURS, Days, daily_means, diel_course, pieces_of
from stream.science.field.weights import (
    Weighted,
    by_area,
    over_plots,
    spread_by_area,
    usual_ratios,
)
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
    """Daily means of one treatment and gas over its replicates; arrays of shape (days,).

    ``plots`` counts the replicates of a day; ``missing`` names positions without a chamber,
    for which there is no mean.
    """

    treatment: str
    gas: str
    flux: Floats
    se: Floats
    plots: NDArray[np.int64]
    missing: tuple[str, ...] = ()


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
    found = []
    for (plot, gas), mine in _groups(chambers).items():
        first = mine[0].series.chamber
        weighted, _ = _weighted(station, mine, days)
        found.append(PlotDays(plot, first.block, first.treatment, gas, weighted))
    return found


def _weighted(
    station: Station, mine: Sequence[ChamberDays], days: Calendar
) -> tuple[Weighted, Floats]:
    """Chambers of a plot, or of several, weighted by the area of their positions; and the
    standard error that the spread of plots within positions makes, NaN where no position has
    two plots.
    """
    shares = fractions(station, days)
    chambers = [c.series.chamber for c in mine]
    places = places_of(range(len(mine)), chambers, shared=bool(shares))
    flux: dict[str, Floats] = {}
    se: dict[str, Floats] = {}
    spreads: dict[str, Floats] = {}
    for name, plots in places.items():
        means = [_mean([mine[i].days.flux for i in members]) for members in plots.values()]
        errors = [_mean_se([mine[i].days.se for i in members]) for members in plots.values()]
        flux[name], se[name] = _mean(means), _mean_se(errors)
        spreads[name] = over_plots(means)[1]
    weights = dict(shares) or {"": np.ones(days.days)}
    ratios = usual_ratios(flux) if station.field.missing_position == "ratio" else None
    weighted = by_area(flux, se, weights, ratios=ratios)
    return weighted, spread_by_area(flux, se, spreads, weights)


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


def treatment_days(
    station: Station, chambers: Sequence[ChamberDays], days: Calendar
) -> list[TreatmentDays]:
    """Mean over the replicates of a treatment, weighted by area, with their standard error.

    What a replicate is, :mod:`stream.field.replicates` says. A treatment that has no chamber
    at a position has no mean.
    """
    needed = [p for p, share in fractions(station, days).items() if (share > 0).any()]
    nothing = np.full(days.days, np.nan)
    found = []
    for gas in dict.fromkeys(c.series.gas for c in chambers):
        mine = [c for c in chambers if c.series.gas == gas]
        for design in designs([c.series.chamber for c in mine], needed):
            none = np.zeros(days.days, dtype=np.int64)
            if design.missing:
                found.append(
                    TreatmentDays(design.treatment, gas, nothing, nothing, none, design.missing)
                )
                continue
            made = [
                _weighted(station, [mine[i] for i in r.chambers], days) for r in design.replicates
            ]
            flux, se, n = over_plots([weighted.flux for weighted, _ in made])
            if len(made) == 1:
                se = np.where(np.isnan(flux), np.nan, made[0][1])
            found.append(TreatmentDays(design.treatment, gas, flux, se, n))
    return found


def daily_rows(
    station: Station,
    chambers: Sequence[ChamberDays],
    days: Calendar,
    drivers: Sequence[Mapping[str, Floats]],
) -> Iterator[dict[str, Any]]:
    """One row a chamber, gas and day, also where nothing was measured, with its drivers."""
    for c, beside in zip(chambers, drivers, strict=True):
        known, d = _of_series(station, c.series), c.days
        for i in range(days.days):
            words = ["diel_corrected"] if d.corrected[i] else []
            if np.isnan(d.flux[i]):
                words.append("too_little_covered")
            yield {
                **known,
                "day": days.day(i).isoformat(),
                "flux_nmol_m2_s": _cell(d.flux[i]),
                "flux_se_nmol_m2_s": _cell(d.se[i]),
                "coverage": float(d.coverage[i]),
                "fluxes": int(d.fluxes[i]),
                "flags": " ".join(words),
                **{name: _cell(values[i]) for name, values in beside.items()},
            }


def _of_series(station: Station, series: FluxSeries) -> dict[str, str]:
    """Cells that every row of a chamber and gas begins with."""
    place = series.chamber
    return {
        "station": station.id,
        "chamber": place.id,
        "plot": place.plot,
        "block": place.block,
        "treatment": place.treatment,
        "position": place.position,
        "gas": series.gas,
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
        known = _of_series(station, s)
        for i in np.flatnonzero(covered > 0):
            yield {
                **known,
                "hour_at": days.start_us + int(i) * 3_600_000_000,
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
                "flags": "position_missing" if t.missing else "" if t.plots[i] else "no_plot",
            }


def _cell(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
