"""Season totals of plots and treatments, with the uncertainty of what was and was not measured."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from stream.field.filled import SEED, Filled, freshness, level_of, usual_of
from stream.field.replicates import designs, places_of
from stream.field.series import Calendar, fractions
from stream.science.field.filling import gaps_in
from stream.science.field.season import Amount
from stream.science.field.weights import spread_over_positions
from stream.science.flux.constants import ELEMENT_MASS
from stream.station import Station

Floats = NDArray[np.float64]

DRAWS: Final = 2000
WIDEN: Final = 2.0
"""How much further off real gaps are than hidden ones: what struck the station often struck it
in rain, and a pulse that nobody saw has no likeness among those that were seen. Set on
simulated seasons whose outages cluster around rain: 90 % intervals of plots then covered 88 %
(64 to 80 % without it)."""
_NONE: Final = Amount(float("nan"), float("nan"))
_LIKE: Final = 15
"""Hidden gaps nearest in length that the error of a gap is drawn from."""


@dataclass(frozen=True, slots=True)
class PlotTotal:
    """One plot and gas over the season.

    Attributes
    ----------
    plot, block, treatment, gas : str
        ``plot`` joins the names of plots that stand for the field together.
    total : Amount
        As the element [kg ha⁻¹]: N of N₂O, C of CH₄ and CO₂; NaN where a position is missing.
    filled_share : float
        Share of the season's hours that were filled, weighted by area [1].
    cumulative : ndarray, shape (days,)
        Up to the end of each day [kg ha⁻¹].
    chambers : int
    area_measured : float
        Share of the area whose positions have a chamber [1].
    missing : tuple of str
        Positions without a chamber, or whose chambers have no flux at all.
    """

    plot: str
    block: str
    treatment: str
    gas: str
    total: Amount
    filled_share: float
    cumulative: Floats
    chambers: int
    area_measured: float = 1.0
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TreatmentTotal:
    """One treatment and gas over the season: mean of its replicates, of which each stands for
    the whole area (:mod:`stream.field.replicates`).

    ``total`` has the standard error of the replicates, and Student's 90 % interval; with
    one replicate those of itself. It is NaN where positions are ``missing``.
    """

    treatment: str
    gas: str
    total: Amount
    plots: tuple[PlotTotal, ...]
    missing: tuple[str, ...] = ()

    @property
    def cumulative(self) -> Floats:
        """Mean over the replicates up to the end of each day [kg ha⁻¹]."""
        return np.asarray(np.mean([p.cumulative for p in self.plots], axis=0))

    @property
    def filled_share(self) -> float:
        """Mean over the plots [1]."""
        return float(np.mean([p.filled_share for p in self.plots])) if self.plots else 0.0


def kg_ha_per_nmol_h(gas: str) -> float:
    """From nmol m⁻² s⁻¹ over an hour to the element [kg ha⁻¹]."""
    return 1e-9 * 3600.0 * ELEMENT_MASS[gas][1] * 1e-3 * 1e4


class _Draws:
    """Errors of gaps, drawn from hidden ones of like length in a like state.

    Gaps of several chambers that overlap for the most part are one outage: they get the
    errors that the chambers had together in one hidden stretch.
    """

    def __init__(self, filled: Filled, rng: np.random.Generator) -> None:
        self._rng = rng
        self._slots = filled.slots
        self._errors: dict[int, dict[int, float]] = {}
        self._length: dict[int, int] = {}
        self._fresh: dict[int, int] = {}
        for m in filled.missed:
            self._errors.setdefault(m.event, {})[m.chamber] = m.mean_error / m.level
            self._length[m.event] = m.slots
            self._fresh[m.event] = m.fresh
        self._outages: list[tuple[int, int, NDArray[np.int64]]] = []

    def of(self, chamber: int, first: int, stop: int) -> Floats:
        """Mean error of one gap over what was filled in, drawn :data:`DRAWS` times [1]."""
        if not self._errors:
            return np.zeros(DRAWS)
        events = self._events(chamber, first, stop)
        own = np.array([e[chamber] for e in self._errors.values() if chamber in e])
        found = np.empty(DRAWS)
        for event in np.unique(events):
            mine = events == event
            known = self._errors[event].get(chamber)
            if known is not None:
                found[mine] = known
            else:
                pool = own if len(own) else np.zeros(1)
                found[mine] = self._rng.choice(pool, int(mine.sum()))
        return found

    def _events(self, chamber: int, first: int, stop: int) -> NDArray[np.int64]:
        for a, b, events in self._outages:
            shared = min(stop, b) - max(first, a)
            if shared >= 0.5 * max(stop - first, b - a):
                return events
        wanted = freshness(self._slots[chamber], first, stop)
        like = [e for e in self._errors if self._fresh[e] == wanted]
        pool = like if len(like) >= 8 else list(self._errors)
        length = stop - first
        near = sorted(pool, key=lambda e: abs(np.log(self._length[e] / length)))[:_LIKE]
        events = self._rng.choice(np.array(near, dtype=np.int64), DRAWS)
        self._outages.append((first, stop, events))
        return events


def plot_totals(station: Station, filled: Filled, days: Calendar) -> list[PlotTotal]:
    """Integrate the chambers of one gas and weight them to plots.

    The uncertainty of a plot's total is drawn: each chamber's own errors, those that it has
    in common with itself (height, area, sensors), and for each gap the error of a hidden one
    of like length.
    """
    return _Sums(station, filled, days).plots()


def replicate_totals(
    station: Station, filled: Filled, days: Calendar, plots: Sequence[PlotTotal]
) -> list[TreatmentTotal]:
    """Totals of treatments by area, over what stands for the field once.

    Parameters
    ----------
    station, filled, days
        As :func:`plot_totals`.
    plots : sequence of PlotTotal
        Of the same gas.
    """
    sums = _Sums(station, filled, days)
    chambers = [s.series.chamber for s in filled.slots]
    by_name = {p.plot: p for p in plots}
    found = []
    for design in designs(chambers, sums.needed):
        if design.missing:
            mine = [p for p in plots if p.treatment == design.treatment]
            found.append(
                TreatmentTotal(design.treatment, sums.gas, _NONE, tuple(mine), design.missing)
            )
            continue
        made = []
        for r in design.replicates:
            members = {i for i, c in enumerate(chambers) if c.plot == r.plot}
            alone = by_name.get(r.plot) if members == set(r.chambers) else None
            made.append(alone or sums.of(r.chambers, r.plot, r.block))
        whole = [p for p in made if not p.missing]
        if whole:
            found += treatment_totals(whole)
            continue
        lost = tuple(dict.fromkeys(m for p in made for m in p.missing))
        found.append(TreatmentTotal(design.treatment, sums.gas, _NONE, tuple(made), lost))
    return found


class _Sums:
    """Season sums of one gas, weighted by area."""

    def __init__(self, station: Station, filled: Filled, days: Calendar) -> None:
        self._filled = filled
        self._shares = fractions(station, days)
        self._rng = np.random.default_rng(SEED + 3)
        self._draws = _Draws(filled, self._rng)
        first = filled.slots[0]
        self._hours = first.hours
        self.gas = first.series.gas
        self.needed = [p for p, share in self._shares.items() if (share > 0).any()]

    def plots(self) -> list[PlotTotal]:
        """Of each plot."""
        groups: dict[str, list[int]] = {}
        for i, s in enumerate(self._filled.slots):
            groups.setdefault(s.series.chamber.plot, []).append(i)
        found = []
        for plot, mine in groups.items():
            if all(np.isnan(self._filled.flux[i]).all() for i in mine):
                continue
            block = self._filled.slots[mine[0]].series.chamber.block
            found.append(self.of(mine, plot, block))
        return found

    def of(self, chambers: Sequence[int], plot: str, block: str) -> PlotTotal:
        """Of some chambers together; those without any flux are left out."""
        slots = self._filled.slots
        mine = [i for i in chambers if not np.isnan(self._filled.flux[i]).all()]
        treatment = slots[chambers[0]].series.chamber.treatment
        held = {slots[i].series.chamber.position for i in mine}
        missing = tuple(p for p in self.needed if p not in held)
        days = len(self._filled.flux[chambers[0]]) * self._hours // 24
        if not mine:
            return PlotTotal(
                plot, block, treatment, self.gas, _NONE, 0.0, np.full(days, np.nan), 0, 0.0, missing
            )
        weights = self._weights(mine)
        share = weights.sum(axis=0)
        factor = kg_ha_per_nmol_h(self.gas)
        flux = np.array([self._filled.flux[i] for i in mine])
        sums = np.sum(weights * flux, axis=0) * self._hours * factor
        error, filled_hours = self._errors(mine, weights)
        if missing:
            sums = np.full(len(sums), np.nan)
        value = float(np.sum(sums))
        spread = error * factor
        low, high = np.percentile(spread, [5.0, 95.0])
        amount = Amount(value, float(np.std(spread)), value - float(high), value - float(low))
        between = self._between(mine, weights, factor)
        if between is not None:
            se, half = between
            amount = Amount(value, se, value - half, value + half)
        return PlotTotal(
            plot=plot,
            block=block,
            treatment=treatment,
            gas=self.gas,
            total=_NONE if missing else amount,
            filled_share=filled_hours / len(sums),
            cumulative=np.cumsum(sums.reshape(-1, 24 // self._hours).sum(axis=1)),
            chambers=len(mine),
            area_measured=float(np.mean(share)),
            missing=missing,
        )

    def _weights(self, mine: Sequence[int]) -> Floats:
        """Share of the area that each chamber stands for, shape (chambers, slots)."""
        n = len(self._filled.flux[mine[0]])
        chambers = [self._filled.slots[i].series.chamber for i in mine]
        weights = np.zeros((len(mine), n))
        places = places_of(range(len(mine)), chambers, shared=bool(self._shares))
        for position, plots in places.items():
            share = np.ones(n)
            if self._shares:
                share = np.repeat(self._shares[position], 24 // self._hours)
            for members in plots.values():
                for j in members:
                    weights[j] = share / (len(plots) * len(members))
        return weights

    def _errors(self, mine: Sequence[int], weights: Floats) -> tuple[Floats, float]:
        """Drawn errors of a sum [nmol m⁻² s⁻¹ h], and its filled slots, weighted."""
        error = np.zeros(DRAWS)
        filled_hours = 0.0
        for j, i in enumerate(mine):
            s = self._filled.slots[i]
            usual = float(np.mean(weights[j]))
            error += usual * s.own_se_h * self._rng.standard_normal(DRAWS)
            error += usual * s.common_se_h * self._rng.standard_normal(DRAWS)
            size = usual_of(s)
            for first, stop in gaps_in(s.flux):
                weight = float(np.mean(weights[j, first:stop]))
                level = level_of(size, self._filled.flux[i], first, stop)
                drawn = self._draws.of(i, first, stop) * level
                error += WIDEN * weight * (stop - first) * self._hours * drawn
                filled_hours += weight * (stop - first)
        return error, filled_hours

    def _between(
        self, mine: Sequence[int], weights: Floats, factor: float
    ) -> tuple[float, float] | None:
        """Standard error and half of the 90 % interval by the spread of plots within
        positions; None where no position has two plots (Eq. 33 of METHODS.md).
        """
        chambers = [self._filled.slots[i].series.chamber for i in mine]
        sums = [
            float(np.sum(w * self._filled.flux[i])) * self._hours * factor
            for i, w in zip(mine, weights, strict=True)
        ]
        places = places_of(range(len(mine)), chambers, shared=bool(self._shares))
        values = [
            np.array([len(plots) * sum(sums[j] for j in members) for members in plots.values()])
            for plots in places.values()
        ]
        if not self._shares or all(len(v) < 2 for v in values):
            return None
        return spread_over_positions(values)


def treatment_totals(plots: Sequence[PlotTotal]) -> list[TreatmentTotal]:
    """Means over replicate plots.

    The spread of the plots has their own errors in it, so that the standard error of the
    replicates is that of the treatment; with a single plot its own stands.
    """
    groups: dict[tuple[str, str], list[PlotTotal]] = {}
    for p in plots:
        groups.setdefault((p.treatment, p.gas), []).append(p)
    found = []
    for (treatment, gas), mine in groups.items():
        values = np.array([p.total.value for p in mine])
        n = len(values)
        if n == 1:
            amount = mine[0].total
        else:
            mean, se = float(values.mean()), float(values.std(ddof=1) / np.sqrt(n))
            half = float(stats.t.ppf(0.95, n - 1)) * se
            amount = Amount(mean, se, mean - half, mean + half)
        found.append(TreatmentTotal(treatment, gas, amount, tuple(mine)))
    return found
