"""Season totals of plots and treatments of one gas, from draws of what each chamber emitted."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.field.replicates import Placed
from stream.science.field.season import Amount
from stream.science.flux.constants import ELEMENT_MASS
from stream.science.season.drivers import Drivers, drivers_of
from stream.science.season.intervals import Difference
from stream.science.season.verdict import Covered, Shares, Verdict

Floats = NDArray[np.float64]

NONE: Final = Amount(float("nan"), float("nan"))


@dataclass(frozen=True, slots=True)
class GasDays:
    """Daily fluxes of one gas, before anything is filled; arrays of shape (chambers, days).

    Attributes
    ----------
    gas : str
    chambers : tuple of Placed
    flux, se : ndarray
        Mean of what was measured of each day, and its standard error [nmol m⁻² s⁻¹]; NaN where
        nothing was.
    coverage : ndarray
        Share of the day that ``flux`` stands for [1].
    common : ndarray, shape (chambers,)
        Relative standard error that all days of a chamber share, such as that of its height [1].
    """

    gas: str
    chambers: tuple[Placed, ...]
    flux: Floats
    se: Floats
    coverage: Floats
    common: Floats


@dataclass(frozen=True, slots=True)
class FieldDays:
    """What the days were like, from ``before`` days before the season on.

    Attributes
    ----------
    water_mm : mapping of str to ndarray, shape (before + days,)
        Treatment → its rain and irrigation.
    temperature_c : ndarray, shape (before + days,)
    doses : mapping of str to sequence of (int, float)
        Treatment → day of the season and relative size of each dose of fertilizer.
    """

    water_mm: Mapping[str, Floats]
    temperature_c: Floats
    doses: Mapping[str, Sequence[tuple[int, float]]] = field(default_factory=dict)

    def drivers(self, treatment: str, days: int) -> Drivers:
        """Of one treatment."""
        water = self.water_mm[treatment]
        return drivers_of(water, self.temperature_c, self.doses.get(treatment, ()), days)


@dataclass(frozen=True, slots=True)
class PlotSeason:
    """One plot, or plots that stand for the field together, and gas over the season.

    Attributes
    ----------
    plot, block, treatment, gas : str
    total : Amount
        As the element [kg ha⁻¹]: N of N₂O, C of CH₄ and CO₂, with the 90 % interval of what this
        plot emitted; NaN where a position is missing, or too little was measured.
    shares : Shares
        What was measured.
    verdict : Verdict
        ``season``, ``mostly modelled`` or ``no total``.
    covered : Covered or None
        The span that was measured, where there is no total of the season.
    daily : ndarray, shape (days,)
        [kg ha⁻¹ d⁻¹]
    draws : ndarray, shape (draws,)
        Of the total.
    by_day : ndarray, shape (days, draws)
        The same of each day.
    members : tuple of int
        Which chambers have fluxes.
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
    shares: Shares
    verdict: Verdict
    covered: Covered | None
    daily: Floats
    draws: Floats
    by_day: Floats
    members: tuple[int, ...]
    area_measured: float = 1.0
    missing: tuple[str, ...] = ()

    @property
    def cumulative(self) -> Floats:
        """Up to the end of each day [kg ha⁻¹]."""
        return np.cumsum(self.daily)


@dataclass(frozen=True, slots=True)
class TreatmentSeason:
    """One treatment and gas over the season.

    Attributes
    ----------
    treatment, gas : str
    total : Amount
        What the treatment emits, of which the replicates are a sample [kg ha⁻¹]; the interval is
        unknown with one replicate. NaN where there is no total.
    these_plots : Amount
        What these plots emitted, as their mean.
    plots : tuple of PlotSeason
        Of which each stands for the whole area (:mod:`stream.field.replicates`).
    shares : Shares
    verdict : Verdict
    covered : Covered or None
        As of :class:`PlotSeason`; of these plots.
    difference : Difference or None
        Less the reference; None for the reference itself, and without a total of both.
    missing : tuple of str
        Positions that nothing is known of.
    """

    treatment: str
    gas: str
    total: Amount
    these_plots: Amount
    plots: tuple[PlotSeason, ...]
    shares: Shares
    verdict: Verdict
    covered: Covered | None = None
    difference: Difference | None = None
    missing: tuple[str, ...] = ()

    @property
    def cumulative(self) -> Floats:
        """Mean over the replicates up to the end of each day [kg ha⁻¹]."""
        return np.asarray(np.mean([p.cumulative for p in self.plots], axis=0))


def kg_ha_per_nmol_day(gas: str) -> float:
    """From nmol m⁻² s⁻¹ over a day to the element [kg ha⁻¹]."""
    return 1e-9 * 86_400.0 * ELEMENT_MASS[gas][1] * 1e-3 * 1e4
