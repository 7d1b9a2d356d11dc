"""A season from a table of fluxes and the weather, without a station."""

from __future__ import annotations  # else help() spells types out

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from stream.errors import QueryError

if TYPE_CHECKING:
    import pandas as pd

    from stream.api.season_days import Span
    from stream.field.modelled import PlotSeason, TreatmentSeason
    from stream.science.field.season import Amount
    from stream.science.season.verdict import Covered, Shares


@dataclass(frozen=True)
class SeasonResult:
    """Totals of a season, as frames; intervals are 90 %.

    Attributes
    ----------
    plots : DataFrame
        One row per plot and gas: what it emitted, in kg ha⁻¹ of N for N2O, of C for CH4 and CO2,
        and how much of that was measured: ``share_days`` and ``share_emission`` are measured
        shares, ``measured_days`` whole days' worth.
    treatments : DataFrame
        One row per treatment and gas: ``total_kg_ha`` and its limits for the treatment, of which
        the plots are a sample; ``these_plots_kg_ha`` for the plots themselves;
        ``less_reference_kg_ha`` with the p of no difference; and per tonne of yield where one was
        given.
    factors : DataFrame
        One row per treatment that got more nitrogen than the reference: its emission factor.
    """

    plots: pd.DataFrame
    treatments: pd.DataFrame
    factors: pd.DataFrame


def season(
    fluxes: pd.DataFrame,
    weather: pd.DataFrame,
    *,
    start: str | date,
    end: str | date,
    positions: Mapping[str, float],
    nitrogen_kg_ha: Mapping[str, float] | None = None,
    reference: str | None = None,
    events: pd.DataFrame | None = None,
    yield_t_ha: Mapping[str, float] | None = None,
    timezone: str | None = None,
) -> SeasonResult:
    """Work out what plots and treatments emitted over a season, days without fluxes included.

    Days without fluxes are simulated many times, given everything that was measured, rain, air
    temperature and fertilizer (METHODS.md, "A season's missing days"), so that intervals allow for
    what was not seen. Where too little was measured, the verdict says so, or there is no total.

    Parameters
    ----------
    fluxes : DataFrame
        One row per closure and gas, as ``export fluxes`` writes them: ``chamber``, ``plot``,
        ``block``, ``treatment``, ``position``, ``gas``, ``mid_at`` with its offset,
        ``flux_nmol_m2_s`` and ``flux_se_nmol_m2_s`` [nmol m⁻² s⁻¹]. Rows whose ``quality`` is
        worse than 2, or whose ``sampling`` is "manual", are left out where there are such columns.
        Chambers need a flux or two a day at least, and those of the night too.
    weather : DataFrame
        Indexed by day: ``rain_mm`` [mm] and ``air_temperature_c`` [°C]. It may begin before the
        season, which is of use: soil remembers rain. Leave rain that is not known empty; zero
        means that it was dry.
    start, end : str or date
        First and last day, both included.
    positions : mapping of str to float
        Position → its share of the area [1]; ``{}`` where positions do not matter.
    nitrogen_kg_ha : mapping of str to float, optional
        Treatment → nitrogen applied [kg ha⁻¹].
    reference : str, optional
        The treatment that others are compared with.
    events : DataFrame, optional
        ``day``, ``kind`` ("fertilizer", "irrigation", "rain"; others are passed over),
        ``treatment`` (empty for all), and ``amount``: mm of water; of fertilizer the size of the
        dose, in whatever unit, the same for all doses.
    yield_t_ha : mapping of str to float, optional
        Treatment → its yield [t ha⁻¹].
    timezone : str, optional
        Where days begin, such as "+01:00"; otherwise as a time column ``mid_at`` has it, and UTC
        where it is text. Days go by standard time.

    Returns
    -------
    SeasonResult

    Raises
    ------
    QueryError
        A column is missing, a value is not a number or a day, or names do not fit together.

    Notes
    -----
    The same table gives the same totals. Model: linear state space [Durbin2012]_; intervals over
    replicates: Rubin's rules [Rubin1987]_, Student's t.
    """
    import pandas as pd

    from stream.api import season_days, season_frames
    from stream.field.gas_season import gas_season

    rows = season_frames.usable_rows(fluxes)
    span = season_days.span_of(start, end, season_days.zone_of(fluxes, timezone))
    treatments = [str(t) for t in dict.fromkeys(rows["treatment"])]
    for name, given in (("nitrogen_kg_ha", nitrogen_kg_ha), ("yield_t_ha", yield_t_ha)):
        _check_amounts(name, given or {}, treatments)
    if reference is not None and reference not in treatments:
        raise QueryError(f"reference: no treatment {reference!r}; fluxes have {_list(treatments)}")
    _check_shares(positions)
    field = season_days.field_of(weather, events, treatments, span)
    shares = {name: np.full(span.days, float(share)) for name, share in positions.items()}
    plots: list[PlotSeason] = []
    whole: list[TreatmentSeason] = []
    for measured in season_frames.gases_of(rows, span, positions):
        if not (measured.coverage > 0).any():
            continue
        mine, of_treatments = gas_season(measured, field, shares, reference=reference)
        plots += mine
        whole += of_treatments
    if not plots:
        raise QueryError(f"fluxes: none from {span.first} to {span.day(span.days - 1)}")
    return SeasonResult(
        pd.DataFrame([_plot_row(p, span) for p in plots]),
        pd.DataFrame([_treatment_row(t, span, yield_t_ha or {}) for t in whole]),
        pd.DataFrame(_factor_rows(whole, nitrogen_kg_ha or {}, reference), columns=_FACTORS),
    )


_FACTORS = [
    "gas", "treatment", "reference", "nitrogen_kg_ha", "factor_percent", "factor_low_percent",
    "factor_high_percent", "verdict",
]  # fmt: skip


def _list(names: list[str]) -> str:
    return ", ".join(map(repr, names))


def _check_amounts(what: str, given: Mapping[str, float], treatments: list[str]) -> None:
    _check_mapping(what, given)
    for treatment, amount in given.items():
        if treatment not in treatments:
            raise QueryError(f"{what}: no treatment {treatment!r}; fluxes have {_list(treatments)}")
        if not 0 <= amount < float("inf"):
            raise QueryError(f"{what}: {amount} of {treatment!r} is not an amount")


def _check_mapping(what: str, given: object) -> None:
    if not isinstance(given, Mapping) or not all(
        isinstance(v, int | float) and v == v for v in given.values()
    ):
        raise QueryError(f"{what}: {given!r}; give names and numbers, as in {{'full': 120.0}}")


def _check_shares(positions: Mapping[str, float]) -> None:
    _check_mapping("positions", positions)
    if not positions:
        return
    if any(not share >= 0 for share in positions.values()):
        raise QueryError("positions: a share of the area is below zero")
    total = sum(positions.values())
    if abs(total - 1.0) > 0.005:
        raise QueryError(f"positions: shares of the area sum to {total:g}, not to 1")


def _plot_row(p: PlotSeason, span: Span) -> dict[str, Any]:
    return {
        "gas": p.gas,
        "plot": p.plot,
        "block": p.block,
        "treatment": p.treatment,
        **_amount("total", p.total),
        **_told(p.shares, p.verdict, p.covered, span),
        "missing_positions": " ".join(p.missing),
    }


def _treatment_row(
    t: TreatmentSeason, span: Span, yield_t_ha: Mapping[str, float]
) -> dict[str, Any]:
    crop = yield_t_ha.get(t.treatment, 0.0)
    scaled = t.total.times(1.0 / crop) if crop > 0 else None
    return {
        "gas": t.gas,
        "treatment": t.treatment,
        "plots": len(t.plots),
        **_amount("total", t.total),
        **_amount("these_plots", t.these_plots),
        **_told(t.shares, t.verdict, t.covered, span),
        "missing_positions": " ".join(t.missing),
        **_amount("less_reference", t.difference.amount if t.difference else None),
        "less_reference_p": t.difference.p if t.difference else np.nan,
        "per_yield_kg_t": scaled.value if scaled else np.nan,
        "per_yield_low_kg_t": scaled.low if scaled else np.nan,
        "per_yield_high_kg_t": scaled.high if scaled else np.nan,
    }


def _amount(name: str, a: Amount | None) -> dict[str, float]:
    return {
        f"{name}_kg_ha": a.value if a else np.nan,
        f"{name}_low_kg_ha": a.low if a else np.nan,
        f"{name}_high_kg_ha": a.high if a else np.nan,
    }


def _told(shares: Shares, verdict: str, covered: Covered | None, span: Span) -> dict[str, Any]:
    return {
        "share_days": shares.days,
        "share_emission": shares.emission,
        "measured_days": shares.measured_days,
        "verdict": verdict,
        "covered_from": span.day(covered.first) if covered else None,
        "covered_to": span.day(covered.last) if covered else None,
        **_amount("covered", covered.total if covered else None),
    }


def _factor_rows(
    treatments: list[TreatmentSeason], nitrogen: Mapping[str, float], reference: str | None
) -> list[dict[str, Any]]:
    from stream.science.season.verdict import worst

    base = {t.gas: t for t in treatments if t.treatment == reference}
    found = []
    for t in treatments:
        extra = nitrogen.get(t.treatment, 0.0) - nitrogen.get(str(reference), 0.0)
        if t.gas != "N2O" or t.gas not in base or t.treatment == reference or not extra > 0:
            continue
        factor = t.difference.with_usual.times(100.0 / extra) if t.difference else None
        found.append(
            {
                "gas": t.gas,
                "treatment": t.treatment,
                "reference": reference,
                "nitrogen_kg_ha": extra,
                "factor_percent": factor.value if factor else np.nan,
                "factor_low_percent": factor.low if factor else np.nan,
                "factor_high_percent": factor.high if factor else np.nan,
                "verdict": worst([t.verdict, base[t.gas].verdict]),
            }
        )
    return found
