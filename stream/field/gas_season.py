"""One gas over a season: from daily fluxes to plots, treatments and their differences."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.field.modelled import (
    NONE,
    FieldDays,
    GasDays,
    PlotSeason,
    TreatmentSeason,
    kg_ha_per_nmol_day,
)
from stream.field.replicates import Design, designs, places_of
from stream.science.field.season import Amount
from stream.science.season.intervals import (
    Difference,
    Replicates,
    between_positions,
    difference_in_blocks,
    difference_of_two,
    of_draws,
    replicates_of,
    treatment_amount,
)
from stream.science.season.missing_days import DRAWS, ChamberDays, draw_days
from stream.science.season.verdict import (
    Covered,
    Limits,
    Shares,
    covered_span,
    verdict_of,
    worst,
)

Floats = NDArray[np.float64]

DEFAULT: Final = Limits()
SEED: Final = 20260105
"""The same records give the same totals."""


def gas_season(
    measured: GasDays,
    field: FieldDays,
    shares: Mapping[str, Floats],
    limits: Limits = DEFAULT,
    reference: str | None = None,
) -> tuple[list[PlotSeason], list[TreatmentSeason]]:
    """Totals of the plots and treatments of one gas.

    Parameters
    ----------
    measured : GasDays
    field : FieldDays
    shares : mapping of str to ndarray, shape (days,)
        Position → its share of the area; empty where the field has none.
    limits : Limits
        What a total needs.
    reference : str, optional
        The treatment that the others are compared with.

    Returns
    -------
    tuple of list
        Plots in the order of the chambers, and treatments.
    """
    sums = _Sums(measured, field, shares, limits)
    plots = sums.plots()
    by_name = {p.plot: p for p in plots}
    replicates: dict[str, list[PlotSeason]] = {}
    missing: dict[str, tuple[str, ...]] = {}
    for design in designs(measured.chambers, sums.needed, whole_plots=2):
        made = _replicates(design, sums, by_name)
        whole = [p for p in made if p.members and not p.missing]
        replicates[design.treatment] = whole
        if not whole:
            lost = [m for p in made for m in p.missing]
            missing[design.treatment] = design.missing or tuple(dict.fromkeys(lost))
    spread = {t: sums.spread(mine) for t, mine in replicates.items() if mine}
    found = []
    for treatment, mine in replicates.items():
        if not mine:
            alone = tuple(p for p in plots if p.treatment == treatment)
            found.append(_nothing(treatment, measured.gas, alone, missing[treatment]))
            continue
        total = treatment_amount(spread[treatment], list(spread.values()))
        found.append(sums.treatment(treatment, total, mine))
    return plots, [_beside(t, found, reference, list(spread.values())) for t in found]


def _replicates(
    design: Design, sums: "_Sums", by_name: Mapping[str, PlotSeason]
) -> list[PlotSeason]:
    made = []
    for r in design.replicates:
        members = {i for i, c in enumerate(sums.chambers) if c.plot == r.plot}
        alone = by_name.get(r.plot) if members == set(r.chambers) else None
        made.append(alone or sums.of(r.chambers, r.plot, r.block))
    return made


def _nothing(
    treatment: str, gas: str, plots: tuple[PlotSeason, ...], missing: tuple[str, ...]
) -> TreatmentSeason:
    none = Shares(0.0, 0.0, 0.0)
    return TreatmentSeason(treatment, gas, NONE, NONE, plots, none, "no total", missing=missing)


def _beside(
    t: TreatmentSeason,
    others: Iterable[TreatmentSeason],
    reference: str | None,
    spread: Sequence[Replicates],
) -> TreatmentSeason:
    base = [r for r in others if r.treatment == reference]
    if not base or t.treatment == reference:
        return t
    if worst([t.verdict, base[0].verdict]) == "no total":
        return t
    return replace(t, difference=difference_of(t, base[0], spread))


def difference_of(
    treated: TreatmentSeason, reference: TreatmentSeason, spread: Sequence[Replicates]
) -> Difference:
    """One treatment less another; within blocks where each has one plot of both."""
    a = {p.block: p.draws for p in treated.plots}
    b = {p.block: p.draws for p in reference.plots}
    complete = len(a) == len(treated.plots) and len(b) == len(reference.plots)
    if complete and set(a) == set(b) and "" not in a and len(a) > 1:
        return difference_in_blocks(
            np.array(list(a.values())), np.array([b[block] for block in a]), spread
        )
    return difference_of_two(
        np.array([p.draws for p in treated.plots]),
        np.array([p.draws for p in reference.plots]),
        spread,
    )


class _Sums:
    """Season sums of one gas, weighted by area."""

    def __init__(
        self, measured: GasDays, field: FieldDays, shares: Mapping[str, Floats], limits: Limits
    ) -> None:
        self.chambers = measured.chambers
        self.needed = [p for p, share in shares.items() if (share > 0).any()]
        self._shares = shares
        self._limits = limits
        self._gas = measured.gas
        self._flux, self._coverage = np.nan_to_num(measured.flux), measured.coverage
        self._days = measured.flux.shape[1]
        self._known: NDArray[np.bool_] = np.asarray((~np.isnan(measured.flux)).any(axis=1))
        self._factor = kg_ha_per_nmol_day(measured.gas)
        self._drawn = _drawn(measured, field, self._known)

    def plots(self) -> list[PlotSeason]:
        """Of each plot that has a flux."""
        groups: dict[str, list[int]] = {}
        for i, c in enumerate(self.chambers):
            groups.setdefault(c.plot, []).append(i)
        return [
            self.of(mine, plot, self.chambers[mine[0]].block)
            for plot, mine in groups.items()
            if self._known[mine].any()
        ]

    def of(self, chambers: Sequence[int], plot: str, block: str) -> PlotSeason:
        """Of some chambers together; those without any flux are left out."""
        mine = [i for i in chambers if self._known[i]]
        treatment = self.chambers[chambers[0]].treatment
        held = {self.chambers[i].position for i in mine}
        missing = tuple(p for p in self.needed if p not in held)
        weights = self._weights(mine)
        drawn = self._factor * weights[:, :, None] * self._drawn[mine]
        by_day = drawn.sum(axis=0)
        shares = self._measured(weights, mine, drawn)
        draws = by_day.sum(axis=0) if mine else np.full(DRAWS, np.nan)
        total = of_draws(draws) if mine and not missing else NONE
        verdict = verdict_of(shares, total, self._days, self._limits)
        covered = None
        if verdict == "no total" and mine and not missing:
            covered = self._covered(weights, mine, by_day)
        return PlotSeason(
            plot=plot,
            block=block,
            treatment=treatment,
            gas=self._gas,
            total=NONE if verdict == "no total" or missing else total,
            shares=shares,
            verdict="no total" if missing else verdict,
            covered=covered,
            daily=np.asarray(by_day.mean(axis=1)),
            draws=draws,
            by_day=by_day,
            members=tuple(mine),
            area_measured=float(np.mean(weights.sum(axis=0))) if mine else 0.0,
            missing=missing,
        )

    def treatment(
        self, treatment: str, total: Amount, plots: Sequence[PlotSeason]
    ) -> TreatmentSeason:
        """Of plots that each stand for the whole area."""
        by_day = np.mean([p.by_day for p in plots], axis=0)
        these = of_draws(by_day.sum(axis=0))
        shares = Shares(
            *(
                float(np.mean([getattr(p.shares, name) for p in plots]))
                for name in ("days", "emission", "measured_days")
            )
        )
        verdict = verdict_of(shares, these, self._days, self._limits)
        nothing = verdict == "no total"
        covered = None
        if nothing:
            members = [i for p in plots for i in p.members]
            covered = self._covered(self._weights(members), members, by_day)
        return TreatmentSeason(
            treatment,
            self._gas,
            NONE if nothing else total,
            NONE if nothing else these,
            tuple(plots),
            shares,
            verdict,
            covered,
        )

    def spread(self, plots: Sequence[PlotSeason]) -> Replicates:
        """What the replicates of a treatment say of its mean; where one holds several plots of
        a position, these do.
        """
        draws = np.array([p.draws for p in plots])
        if len(plots) > 1 or not self._shares:
            return replicates_of(draws)
        mine = plots[0].members
        weights = self._weights(mine)
        sums = self._factor * np.sum(weights[:, :, None] * self._drawn[mine], axis=1)
        places = places_of(range(len(mine)), [self.chambers[i] for i in mine], shared=True)
        values = [
            np.array([len(plots) * sums[members].sum(axis=0) for members in plots.values()])
            for plots in places.values()
        ]
        return between_positions(values)

    def _measured(self, weights: Floats, mine: Sequence[int], drawn: Floats) -> Shares:
        """What was measured, of days and of the expected emission."""
        area = float(weights.sum())
        if not area > 0:
            return Shares(0.0, 0.0, 0.0)
        covered = np.nan_to_num(self._coverage[mine])
        # Of a day of which less than most was seen, nobody knows that the rest was like it.
        covered = np.where(covered < 1.0, 0.5 * covered, covered)
        seen = self._factor * float(np.sum(weights * covered * np.abs(self._flux[mine])))
        rest = np.where(covered < 1.0, np.abs(drawn.mean(axis=2)), 0.0)
        unseen = float(np.sum((1.0 - covered) * rest))
        emission = seen / (seen + unseen) if seen + unseen > 0 else 0.0
        days = float(np.sum(weights * covered)) / area
        return Shares(days, emission, days * self._days)

    def _covered(self, weights: Floats, mine: Sequence[int], by_day: Floats) -> Covered | None:
        area = np.maximum(weights.sum(axis=0), 1e-12)
        span = covered_span(np.sum(weights * np.nan_to_num(self._coverage[mine]), axis=0) / area)
        if span is None:
            return None
        first, last = span
        return Covered(first, last, of_draws(by_day[first : last + 1].sum(axis=0)))

    def _weights(self, mine: Sequence[int]) -> Floats:
        """Share of the area that each chamber stands for, shape (chambers, days)."""
        chambers = [self.chambers[i] for i in mine]
        weights = np.zeros((len(mine), self._days))
        places = places_of(range(len(mine)), chambers, shared=bool(self._shares))
        for position, plots in places.items():
            share = self._shares[position] if self._shares else np.ones(self._days)
            for members in plots.values():
                for j in members:
                    weights[j] = share / (len(plots) * len(members))
        return weights


def _drawn(measured: GasDays, field: FieldDays, known: NDArray[np.bool_]) -> Floats:
    """Daily fluxes, shape (chambers, days, draws); zero for chambers without any."""
    rng = np.random.default_rng(SEED)
    days = measured.flux.shape[1]
    groups: dict[str, list[int]] = {}
    for i, c in enumerate(measured.chambers):
        if known[i]:
            groups.setdefault(c.treatment, []).append(i)
    given = [
        ChamberDays(
            measured.flux[mine],
            measured.se[mine],
            measured.coverage[mine],
            field.drivers(treatment, days),
        )
        for treatment, mine in groups.items()
    ]
    found = np.zeros((len(measured.chambers), days, DRAWS))
    for mine, drawn in zip(groups.values(), draw_days(given, rng), strict=True):
        shared = 1.0 + measured.common[mine][:, None, None] * rng.standard_normal(
            (len(mine), 1, DRAWS)
        )
        found[mine] = drawn * shared
    return found
