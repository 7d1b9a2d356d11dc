"""Days that were not measured, drawn given all that was: fluxes of one gas, chamber by chamber."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from stream.science.season.days_model import Observed, Scatter, draw, log_likelihood
from stream.science.season.drivers import Drivers
from stream.science.season.hidden import corrected, misses_of

Floats = NDArray[np.float64]

DRAWS: Final = 400
SETS: Final = 16
"""Sets of standard deviations and memories that the draws are shared between: these are not
known either."""
_CANDIDATES: Final = 160
"""Sets that are weighed against one another."""
_HIDDEN_DRAWS: Final = 60
BEYOND: Final = 0.2
OWN_BEYOND: Final = 0.3
BELOW: Final = 0.2
"""How far above all that was measured, and above all that its own chamber gave, a drawn flux may
lie [asinh units]; 0.7 is twice as much."""
UNLIKE: Final = 1.5
"""The same on days that are unlike all that were measured."""
_OUTSIDE: Final = 0.1
"""Share of its range by which a driver lies outside it on such a day."""


@dataclass(frozen=True, slots=True)
class ChamberDays:
    """Daily fluxes of the chambers of one treatment and gas.

    Attributes
    ----------
    flux, se : ndarray, shape (chambers, days)
        Mean of what was measured of each day and its standard error [nmol m⁻² s⁻¹]; NaN where
        nothing was.
    coverage : ndarray, shape (chambers, days)
        Share of the day that ``flux`` stands for [1].
    drivers : Drivers
    """

    flux: Floats
    se: Floats
    coverage: Floats
    drivers: Drivers


@dataclass(frozen=True, slots=True)
class Scale:
    """From fluxes to a scale on which they are about normal: z = asinh(F/s₀)."""

    zero: float
    """s₀ [nmol m⁻² s⁻¹]."""
    lowest: float
    highest: Floats
    """No drawn z is below the one, nor above its chamber's and day's; shape (chambers, days, 1)."""

    def back(self, z: Floats) -> Floats:
        """Fluxes [nmol m⁻² s⁻¹]."""
        return np.asarray(self.zero * np.sinh(np.clip(z, self.lowest, self.highest)))


def draw_days(
    treatments: Sequence[ChamberDays], rng: np.random.Generator, draws: int = DRAWS
) -> list[NDArray[np.float64]]:
    """Daily fluxes of a gas as they may have been, given everything measured.

    Parameters
    ----------
    treatments : sequence of ChamberDays
        They share how much is not explained, and nothing else.
    rng : Generator
    draws : int

    Returns
    -------
    list of ndarray, shape (chambers, days, draws)
        Of each treatment [nmol m⁻² s⁻¹]. What was measured of a day stays, with its standard
        error; the rest of it is drawn.
    """
    pairs = [_observed(t) for t in treatments]
    sets = likely_sets([observed for observed, _ in pairs], rng)

    def without(i: int, hidden: NDArray[np.int64]) -> Floats:
        observed, scale = pairs[i]
        z = observed.z.copy()
        z[:, hidden] = np.nan
        fewer = replace(observed, z=z)
        return scale.back(draw(fewer, sets[0].scatter(fewer), _HIDDEN_DRAWS, rng))

    flux = [np.where(t.coverage >= 1.0, t.flux, np.nan) for t in treatments]
    misses = misses_of(flux, [t.drivers.wetness for t in treatments], without, rng)
    found = []
    for t, (observed, scale) in zip(treatments, pairs, strict=True):
        parts = [draw(observed, u.scatter(observed), draws // SETS, rng) for u in sets]
        made = scale.back(np.concatenate(parts, axis=2))
        known = np.nan_to_num(t.coverage)[:, :, None]
        made = corrected(made, t.coverage < 0.5, misses, rng)
        error = np.nan_to_num(t.se)[:, :, None] * rng.standard_normal(made.shape)
        measured = np.nan_to_num(t.flux)[:, :, None] + error
        found.append(np.asarray(known * measured + (1.0 - known) * made))
    return found


def _observed(t: ChamberDays) -> tuple[Observed, Scale]:
    """Fluxes on the scale of the model, and the noise of measuring there.

    The noise is taken at a level that chamber and day have in common: taken at each noisy flux
    by itself it would weigh low ones more, and totals would be too high.
    """
    flux = t.flux
    if np.isnan(flux).all():
        zero = 1.0
    else:
        typical = float(np.nanmedian(t.se)) if np.isfinite(t.se).any() else 0.0
        zero = max(0.1 * float(np.nanmean(np.abs(flux))), 2.0 * typical)
    zero = zero if zero > 0.0 else 1.0
    z = np.arcsinh(flux / zero)
    usual = _two_way(z)
    level = zero * np.sinh(usual)
    noise = np.minimum(1.0, np.nan_to_num(t.se) ** 2 / (level**2 + zero**2))
    z = z + 0.5 * noise * np.tanh(usual)
    highest = _highest(z, usual, t.drivers.table)[:, :, None]
    observed = Observed(
        np.ascontiguousarray(z),
        np.ascontiguousarray(np.nan_to_num(noise)),
        t.drivers.table,
        t.drivers.prior_variance,
        t.drivers.pulses,
    )
    return observed, Scale(zero, float(np.nanmin(z)) - BELOW, highest)


def _highest(z: Floats, usual: Floats, drivers: Floats) -> Floats:
    """Highest z that may be drawn for each chamber and day.

    A chamber that was seen on quiet days alone may go as far above them as the others went; on a
    day that is wetter, warmer or more lately fertilized than all that were measured, nobody knows.
    """
    known = ~np.isnan(z)
    seen: NDArray[np.bool_] = np.asarray(known.any(axis=0))
    day = usual - usual.mean(axis=1, keepdims=True)
    busiest = np.max(np.where(seen, day, -np.inf), axis=1)
    own_busiest = np.max(np.where(known, day, -np.inf), axis=1)
    own = np.fmax.reduce(z, axis=1, initial=-np.inf) + (busiest - own_busiest)
    unlike = days_outside(drivers, seen)
    cap = np.minimum(own + OWN_BEYOND, np.nanmax(z) + BEYOND)[:, None] + np.zeros(z.shape[1])
    return np.asarray(np.where(unlike, cap + UNLIKE, cap))


def days_outside(drivers: Floats, seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Days on which a driver is beyond all that it was on days that were measured."""
    low, high = drivers[seen].min(axis=0), drivers[seen].max(axis=0)
    slack = _OUTSIDE * np.maximum(np.ptp(drivers, axis=0), 1e-12)
    return np.asarray(((drivers < low - slack) | (drivers > high + slack)).any(axis=1))


def _two_way(z: Floats) -> Floats:
    """Level of each chamber plus that of each day."""
    known = ~np.isnan(z)
    filled = np.where(known, z, 0.0)
    per_chamber = np.maximum(known.sum(axis=1, keepdims=True), 1)
    per_day = np.maximum(known.sum(axis=0, keepdims=True), 1)
    day = np.zeros((1, z.shape[1]))
    chamber = np.zeros((z.shape[0], 1))
    for _ in range(10):
        chamber = np.where(known, filled - day, 0.0).sum(axis=1, keepdims=True) / per_chamber
        day = np.where(known, filled - chamber, 0.0).sum(axis=0, keepdims=True) / per_day
    return np.asarray(chamber + day)


@dataclass(frozen=True, slots=True)
class Parameters:
    """What all treatments of a gas have in common: standard deviations [asinh units] of what comes
    new each day, and memories [d].
    """

    shared: float
    shared_memory: float
    own: float
    own_memory: float
    slow: float
    slow_memory: float
    rest: float
    water: float
    fertilizer: float

    def scatter(self, observed: Observed) -> Scatter:
        """As the days of one treatment have it."""
        n, days = observed.z.shape
        reasons = np.array([self.water, self.fertilizer])[: observed.pulses.shape[1]]
        more = np.exp(2.0 * observed.pulses @ reasons)
        kept = np.exp(-1.0 / np.array([self.shared_memory, self.own_memory, self.slow_memory]))
        new = np.array([self.shared, self.own, self.slow]) ** 2
        which = np.repeat([0, 1, 2], [1, n, n])
        variances = np.outer(new[which], np.ones(days))
        variances[: n + 1] *= more
        variances[:, 0] = (new / (1.0 - kept**2))[which]
        return Scatter(variances, kept[which], self.rest**2)


_PRIOR: Final = {
    # Mean and standard deviation of each; of its logarithm but for the last two.
    "shared": (math.log(0.15), 0.7),
    "shared_memory": (math.log(5.0), 0.7),
    "own": (math.log(0.2), 0.7),
    "own_memory": (math.log(5.0), 0.7),
    "slow": (math.log(0.05), 0.7),
    "slow_memory": (math.log(60.0), 0.5),
    "rest": (math.log(0.1), 1.0),
    "water": (0.5, 0.5),
    "fertilizer": (0.3, 0.5),
}
_MEAN, _SD = (np.array(column) for column in zip(*_PRIOR.values(), strict=True))
_LOGARITHMS: Final = len(_PRIOR) - 2


def _parameters(u: Floats) -> Parameters:
    return Parameters(*np.exp(u[:_LOGARITHMS]).tolist(), *u[_LOGARITHMS:].tolist())


def likely_sets(observed: Sequence[Observed], rng: np.random.Generator) -> list[Parameters]:
    """:data:`SETS` sets of parameters, as likely as the measurements have it.

    The most likely is found, others are drawn about it by the curvature there, and chosen by
    their likelihood [sampling-importance resampling, Rubin 1987].
    """

    def cost(u: Floats) -> float:
        p = _parameters(u)
        prior = 0.5 * float(np.sum(((u - _MEAN) / _SD) ** 2))
        return prior - sum(log_likelihood(o, p.scatter(o)) for o in observed)

    low, high = _MEAN - 4.0 * _SD, _MEAN + 4.0 * _SD
    best = optimize.minimize(
        cost,
        _MEAN,
        method="L-BFGS-B",
        bounds=list(zip(low, high, strict=True)),
        options={"maxiter": 25, "eps": 1e-4, "ftol": 1e-6},
    )
    spread = np.linalg.cholesky(_covariance(cost, best.x))
    degrees = 5.0
    normal = rng.standard_normal((_CANDIDATES, len(_MEAN)))
    off = normal * np.sqrt(degrees / rng.chisquare(degrees, _CANDIDATES))[:, None]
    found = np.clip(best.x + off @ spread.T, low, high)
    proposed = -0.5 * (degrees + len(_MEAN)) * np.log1p(np.sum(off**2, axis=1) / degrees)
    weight = np.array([-cost(u) for u in found]) - proposed
    weight = np.exp(weight - weight.max())
    chosen = rng.choice(_CANDIDATES, SETS, p=weight / weight.sum())
    return [_parameters(found[i]) for i in chosen]


def _covariance(cost: Callable[[Floats], float], at: Floats) -> Floats:
    """Inverse of the curvature, and where that tells nothing, of the prior's."""
    n, step = len(at), 0.1
    middle = cost(at)
    unit = np.eye(n) * step
    one = np.array([cost(at + e) for e in unit])
    back = np.array([cost(at - e) for e in unit])
    curvature = np.diag((one + back - 2.0 * middle) / step**2)
    for i in range(n):
        for j in range(i):
            both = cost(at + unit[i] + unit[j])
            curvature[i, j] = curvature[j, i] = (both - one[i] - one[j] + middle) / step**2
    value, vector = np.linalg.eigh(curvature)
    least = float(np.min(1.0 / _SD**2))
    return np.asarray((vector / np.maximum(value, least)) @ vector.T)
