"""A season as the station file describes it: totals, factors and contrasts."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from stream.errors import CommandError
from stream.field.contrasts import Contrast, against
from stream.field.filled import Filled, fill
from stream.field.series import Calendar, FluxSeries, calendar, read_series
from stream.field.slots import slots_of
from stream.field.totals import PlotTotal, TreatmentTotal, plot_totals, replicate_totals
from stream.field.weather import rain_days
from stream.science.field.season import (
    Amount,
    co2_equivalent,
    emission_factor,
    yield_scaled,
)
from stream.science.flux.constants import ELEMENT_MASS
from stream.station import Station
from stream.store.journal.journal import Journal
from stream.store.results.flux_columns import FluxColumns


@dataclass(frozen=True, slots=True)
class GasSeason:
    """One gas over the season."""

    gas: str
    filled: Filled
    plots: tuple[PlotTotal, ...]
    treatments: tuple[TreatmentTotal, ...]


@dataclass(frozen=True, slots=True)
class SeasonTotals:
    """What a season came to.

    Attributes
    ----------
    days : Calendar
    series : tuple of FluxSeries
    gases : tuple of GasSeason
    contrasts : tuple of Contrast
    """

    days: Calendar
    series: tuple[FluxSeries, ...]
    gases: tuple[GasSeason, ...]
    contrasts: tuple[Contrast, ...]


def season_calendar(station: Station, first: date | None, last: date | None) -> Calendar:
    """Days of the season in the station file, or of a part of it.

    Raises
    ------
    CommandError
        There is no season, and no two days are given.
    """
    season = station.season
    first = first or (season.start if season else None)
    last = last or (season.end if season else None)
    if first is None or last is None:
        raise CommandError(
            "the station file has no [season]; add start and end, or give --from and --to"
        )
    if last < first:
        raise CommandError(f"--to: {last} is before {first}")
    return calendar(station, first, last)


def season_totals(
    station: Station, fluxes: FluxColumns, journal: Journal, days: Calendar
) -> SeasonTotals:
    """Fill, integrate and weight every gas.

    Raises
    ------
    CommandError
        Nothing usable was measured in that time.
    """
    series = read_series(station, fluxes, days)
    return totals_of(station, series, days, rain_days(station, journal, days))


def totals_of(
    station: Station, series: Sequence[FluxSeries], days: Calendar, wet: Sequence[date] = ()
) -> SeasonTotals:
    """As :func:`season_totals`, of series that are read already, and days of rain."""
    if not any(len(s.t_h) > 1 for s in series):
        raise CommandError(
            f"no usable flux from {days.first} to {days.day(days.days - 1)}; see the flags of"
            " export fluxes, and field.max_quality"
        )
    found = []
    for gas in dict.fromkeys(s.gas for s in series):
        slots = slots_of(station, [s for s in series if s.gas == gas], days, wet)
        filled = fill(slots, station.field.gap_filling)
        plots = plot_totals(station, filled, days)
        totals = replicate_totals(station, filled, days, plots)
        found.append(GasSeason(gas, filled, tuple(plots), tuple(totals)))
    treatments = [t for g in found for t in g.treatments]
    reference = station.season.reference if station.season else None
    contrasts = tuple(against(treatments, reference))
    return SeasonTotals(days, tuple(series), tuple(found), contrasts)


def season_rows(station: Station, totals: SeasonTotals) -> Iterator[dict[str, Any]]:
    """One row a plot and gas, then one a treatment and gas with its factors."""
    season = station.season
    for g in totals.gases:
        element = ELEMENT_MASS[g.gas][0]
        for p in g.plots:
            yield {
                **_common(station, totals, g, "plot", p.treatment, p.total, element),
                "plot": p.plot,
                "block": p.block,
                "plots": 1,
                "area_measured": p.area_measured,
                "filled_share": p.filled_share,
                **_reason(p.missing),
            }
        for t in g.treatments:
            row = {
                **_common(station, totals, g, "treatment", t.treatment, t.total, element),
                "plot": "",
                "block": "",
                "plots": len(t.plots),
                "area_measured": min((p.area_measured for p in t.plots), default=0.0),
                "filled_share": t.filled_share,
                **_reason(t.missing),
            }
            if season is None or t.missing:
                yield row
                continue
            factor = _factor(station, g, t)
            if factor is not None:
                row |= {
                    "emission_factor_percent": factor.value,
                    "emission_factor_se_percent": factor.se,
                }
            crop = season.yield_t_ha.get(t.treatment)
            if crop:
                scaled = yield_scaled(t.total, crop)
                row |= {"per_yield_kg_t": scaled.value, "per_yield_se_kg_t": scaled.se}
            for c in totals.contrasts:
                if (c.treatment, c.gas) == (t.treatment, g.gas):
                    row |= {
                        "less_reference_kg_ha": c.difference,
                        "less_reference_low_kg_ha": c.low,
                        "less_reference_high_kg_ha": c.high,
                        "less_reference_p": c.p,
                        "less_reference_way": c.way,
                    }
            yield row


def _reason(missing: Sequence[str]) -> dict[str, str]:
    """Why there is no total: positions without a chamber, or without any flux."""
    return {
        "flags": "position_missing" if missing else "",
        "missing_positions": " ".join(missing),
    }


def _common(
    station: Station,
    totals: SeasonTotals,
    g: GasSeason,
    level: str,
    treatment: str,
    total: Amount,
    element: str,
) -> dict[str, Any]:
    days = totals.days
    score = next((s for s in g.filled.scores if s.method == g.filled.method), None)
    row: dict[str, Any] = {
        "station": station.id,
        "level": level,
        "treatment": treatment,
        "gas": g.gas,
        "from": days.first.isoformat(),
        "to": days.day(days.days - 1).isoformat(),
        "element": element,
        "total_kg_ha": _cell(total.value),
        "total_se_kg_ha": _cell(total.se),
        "total_low_kg_ha": _cell(total.low),
        "total_high_kg_ha": _cell(total.high),
        "gap_filling": g.filled.method,
        "gap_rmse_nmol_m2_s": None if score is None or np.isnan(score.rmse) else score.rmse,
        "gap_bias_nmol_m2_s": None if score is None or np.isnan(score.bias) else score.bias,
    }
    if station.season is not None and total.value == total.value and g.gas in {"N2O", "CH4", "CO2"}:
        warm = co2_equivalent(total, g.gas, station.season.gwp)
        row |= {
            "co2_equivalent_kg_ha": warm.value,
            "co2_equivalent_se_kg_ha": warm.se,
            "gwp": station.season.gwp,
        }
    return row


def _cell(value: float) -> float | None:
    return None if np.isnan(value) else value


def _factor(station: Station, g: GasSeason, t: TreatmentTotal) -> Amount | None:
    """Emission factor of nitrous oxide, where the reference and the nitrogen are known."""
    season = station.season
    if season is None or g.gas != "N2O" or season.reference in {None, t.treatment}:
        return None
    base = [r for r in g.treatments if r.treatment == season.reference]
    given = season.nitrogen_kg_ha
    extra = given.get(t.treatment, 0.0) - given.get(str(season.reference), 0.0)
    if not base or not extra > 0 or base[0].missing or t.missing:
        return None
    return emission_factor(t.total, base[0].total, extra)
