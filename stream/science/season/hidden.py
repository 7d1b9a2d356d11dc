"""How far off the drawn days are: stretches that were measured are hidden, drawn and compared."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ROUNDS: Final = 4
_HIDDEN: Final = 0.15
"""Share of the measured days that is hidden at once."""
_USUAL: Final = 1.7
"""How much further off real stretches are than the draws say [set on simulated seasons]."""
_SEEN_BEFORE: Final = 12.0
"""For how many hidden stretches that counts."""
_WIDEST: Final = 0.16
"""Variance of a logarithm beyond which a stretch is not widened further [1]."""
_BIAS_SD: Final = 0.05
"""How far a bias of all stretches may lie from none, before any was hidden [1]."""


@dataclass(frozen=True, slots=True)
class Misses:
    """What hidden stretches told.

    Attributes
    ----------
    log_ratio : ndarray, shape (n,)
        Of what was measured to what was drawn, stretch by stretch and treatment by treatment.
    variance : ndarray, shape (n,)
        Of the logarithm of the draws.
    """

    log_ratio: Floats
    variance: Floats

    @property
    def bias(self) -> float:
        """Mean of the logarithms, towards zero where it is not known well."""
        known = self.variance * _USUAL**2
        weight = 1.0 / np.maximum(known, 1e-4)
        return float(np.sum(weight * self.log_ratio) / (np.sum(weight) + 1.0 / _BIAS_SD**2))

    @property
    def widening(self) -> float:
        """How many times as far off as the draws say."""
        square = (self.log_ratio - self.bias) ** 2 / np.maximum(self.variance, 1e-4)
        # A stretch that is ten times as far off as the draws say tells no more than that.
        total = _SEEN_BEFORE * _USUAL**2 + float(np.sum(np.minimum(square, 30.0)))
        return math.sqrt(total / (_SEEN_BEFORE + len(square)))


def stretches_to_hide(
    measured: NDArray[np.bool_], wetness: Floats, rng: np.random.Generator
) -> list[NDArray[np.int64]]:
    """Days to hide together, as long and as wet as those that are missing.

    Parameters
    ----------
    measured : ndarray of bool, shape (days,)
        Days on which most chambers were measured.
    wetness : ndarray, shape (days,)
    rng : Generator

    Returns
    -------
    list of ndarray
        Days of each stretch, apart from one another and from what is missing.
    """
    days = len(measured)
    gaps = runs_of(~measured)
    budget = longest = int(_HIDDEN * measured.sum())
    if not gaps or not longest:
        return []
    free = measured.copy()
    found: list[NDArray[np.int64]] = []
    for _ in range(60):
        a, b = gaps[int(rng.integers(len(gaps)))]
        length = min(b - a, longest)
        starts = [s for s in range(1, days - length) if free[max(s - 1, 0) : s + length + 1].all()]
        if length > budget or not starts:
            continue
        like = np.array([wetness[s : s + length].mean() for s in starts]) - wetness[a:b].mean()
        weight = np.exp(-0.5 * (like / 0.3) ** 2) + 1e-6
        s = starts[int(rng.choice(len(starts), p=weight / weight.sum()))]
        free[s : s + length] = False
        budget -= length
        found.append(np.arange(s, s + length))
        if budget < 1:
            break
    return found


def runs_of(true: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """(first, stop) of each run."""
    edges = np.diff(np.concatenate(([0], true.astype(np.int8), [0])))
    firsts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return list(zip(firsts.tolist(), stops.tolist(), strict=True))


def misses_of(
    flux: Sequence[Floats],
    wetness: Sequence[Floats],
    draw_without: Callable[[int, NDArray[np.int64]], Floats],
    rng: np.random.Generator,
) -> Misses:
    """Hide stretches and compare.

    Parameters
    ----------
    flux : sequence of ndarray, shape (chambers, days)
        Of each treatment, NaN where nothing was measured.
    wetness : sequence of ndarray, shape (days,)
    draw_without : callable
        Given which treatment and which days to hide: fluxes, shape (chambers, days, draws).
    rng : Generator

    Returns
    -------
    Misses
    """
    ratios, variances = [], []
    most = np.mean([np.mean(~np.isnan(f), axis=0) for f in flux], axis=0) >= 0.5
    wet = np.mean(wetness, axis=0)
    for _ in range(ROUNDS):
        stretches = stretches_to_hide(most, wet, rng)
        if not stretches:
            break
        hidden = np.concatenate(stretches)
        for i, f in enumerate(flux):
            drawn = draw_without(i, hidden)
            for days in stretches:
                known = ~np.isnan(f[:, days])
                if not known.any():
                    continue
                true = float(f[:, days][known].sum())
                made = drawn[:, days][known].sum(axis=0)
                if true > 0 and (made > 0).all():
                    ratios.append(math.log(true / made.mean()))
                    variances.append(float(np.var(np.log(made))))
    return Misses(np.array(ratios), np.array(variances))


def corrected(
    drawn: Floats, missing: NDArray[np.bool_], misses: Misses, rng: np.random.Generator
) -> Floats:
    """Draws as far off as hidden stretches were: what the chambers of a treatment miss together
    is multiplied by the same factor.

    Parameters
    ----------
    drawn : ndarray, shape (chambers, days, draws)
    missing : ndarray of bool, shape (chambers, days)
    misses : Misses
    rng : Generator

    Returns
    -------
    ndarray, shape (chambers, days, draws)
    """
    times = np.ones(drawn.shape)
    beyond = max(misses.widening**2 - 1.0, 0.0)
    together = missing.mean(axis=0) >= 0.5
    groups = [(slice(None), first, stop) for first, stop in runs_of(together)]
    for c in range(len(missing)):
        alone = runs_of(missing[c] & ~together)
        groups += [(slice(c, c + 1), first, stop) for first, stop in alone]
    for rows, first, stop in groups:
        part = drawn[rows, first:stop]
        total = np.abs(np.where(missing[rows, first:stop, None], part, 0.0).sum(axis=(0, 1)))
        variance = float(np.var(np.log(np.maximum(total, 1e-12)))) if (total > 0).all() else 0.0
        spread = math.sqrt(beyond * min(variance, _WIDEST))
        # What was not seen is a pulse, and rarely the want of one: errors are skewed.
        factor = np.exp(spread * (rng.standard_exponential(drawn.shape[2]) - 1.0))
        times[rows, first:stop] = factor * math.exp(misses.bias)
    return np.asarray(np.where(missing[:, :, None], drawn * times, drawn))
