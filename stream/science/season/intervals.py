"""From draws of what each plot emitted to intervals of plots, treatments and differences."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from stream.science.field.season import Amount

Floats = NDArray[np.float64]

WIDEN: Final = (1.1, 1.6)
"""How much further from the mean than those of the draws the limits of a plot lie, towards zero and
away from it: what was not seen is more often a pulse than the want of one [set on simulated
seasons]."""
MODEL_DOF: Final = 20.0
"""Degrees of freedom that the spread of draws counts for [set on simulated seasons]."""
USUAL_CV: Final = 0.5
"""Coefficient of variation of a season's emission between replicates [common practice, no source:
30 to 70 % in the field]."""
_USUAL_DOF: Final = 3.0
"""Degrees of freedom that it counts for. Emissions are skewed: few replicates that happen to lie
close together lie low as well, and their own spread alone would promise too much."""
_ALIKE: Final = 0.2
"""Correlation of the treatments of a block [common practice, no source]."""
_LEVEL: Final = 0.95
"""Upper quantile of a 90 % interval."""
_CLEAR: Final = 3.0
"""Estimate over its standard error from which an interval is taken on the scale of logarithms."""
_ONE_SIGN: Final = 1.5
"""The same where four replicates or more, of all treatments, have one sign."""


@dataclass(frozen=True, slots=True)
class Difference:
    """A treatment less the reference."""

    amount: Amount
    """By the spread of the replicates alone, as ``p`` is."""
    with_usual: Amount
    """The same with the usual spread of replicates beside their own."""
    p: float
    """That there is none; NaN where nothing tells the replicates' spread."""
    way: str
    """``blocks``: differences within blocks; ``welch``: unequal variances."""


def of_draws(draws: Floats, widen: tuple[float, float] = WIDEN) -> Amount:
    """What these plots emitted, by the draws alone.

    Parameters
    ----------
    draws : ndarray, shape (draws,)
    widen : tuple of float
        Times that the quantiles lie further from the mean, towards zero and away from it.

    Returns
    -------
    Amount
    """
    mean = float(draws.mean())
    low, high = np.percentile(draws, [100.0 * (1.0 - _LEVEL), 100.0 * _LEVEL])
    down, up = widen if mean >= 0 else widen[::-1]
    return Amount(
        mean,
        0.5 * (down + up) * float(draws.std()),
        mean - down * (mean - float(low)),
        mean + up * (float(high) - mean),
    )


@dataclass(frozen=True, slots=True)
class Replicates:
    """What the replicates of one treatment say of its mean.

    Attributes
    ----------
    mean : float
    between : float
        Variance of the mean by the spread of the replicates, averaged over the draws.
    within : float
        Variance of the mean over the draws.
    dof : float
        Degrees of freedom of ``between``; 0 with one replicate.
    signs : tuple of int
        How many replicates are above and below zero.
    count : int
        Replicates that ``between`` is the spread of; 0 where it is made of several positions.
    """

    mean: float
    between: float
    within: float
    dof: float
    count: int = 0
    signs: tuple[int, int] = (0, 0)

    @property
    def relative(self) -> float:
        """Squared coefficient of variation of the replicates [1]."""
        return self.count * self.between / self.mean**2


def replicates_of(draws: Floats) -> Replicates:
    """Of plots that each stand for the whole area.

    Parameters
    ----------
    draws : ndarray, shape (replicates, draws)

    Returns
    -------
    Replicates

    Notes
    -----
    Rubin's rules for draws of what is missing [Rubin1987]_: the variance within draws here is
    that of a mean over replicates, s²/n.
    """
    n = len(draws)
    mean = draws.mean(axis=0)
    between = float(np.mean(draws.var(axis=0, ddof=1)) / n) if n > 1 else float("nan")
    means = draws.mean(axis=1)
    signs = int(np.sum(means > 0)), int(np.sum(means < 0))
    return Replicates(float(mean.mean()), between, float(mean.var()), float(n - 1), n, signs)


def between_positions(values: Sequence[Floats]) -> Replicates:
    """Of one replicate that is made of positions with several plots each.

    Parameters
    ----------
    values : sequence of ndarray, shape (plots, draws)
        Of each position the contributions of its plots to the sum, were each alone there.

    Returns
    -------
    Replicates
        Variance √Σ sᵢ²/nᵢ with the degrees of freedom of [Satterthwaite1946]_; none where no
        position has two plots. A position with one plot is taken to spread as widely, over its
        mean, as the others do.
    """
    mean = np.sum([v.mean(axis=0) for v in values], axis=0)
    several = [v for v in values if len(v) > 1]
    if not several:
        return Replicates(float(mean.mean()), float("nan"), float(mean.var()), 0.0)
    relative = [
        float(np.mean(v.var(axis=0, ddof=1))) / float(v.mean()) ** 2 for v in several if v.mean()
    ]
    usual = float(np.mean(relative)) if relative else 0.0
    borrowed = sum(len(v) - 1 for v in several)
    parts = []
    for v in values:
        alone = usual * float(v.mean()) ** 2
        variance = float(np.mean(v.var(axis=0, ddof=1))) if len(v) > 1 else alone
        parts.append((variance / len(v), len(v) - 1 if len(v) > 1 else borrowed))
    total = sum(a for a, _ in parts)
    dof = total**2 / sum(a**2 / n for a, n in parts) if total > 0 else 0.0
    return Replicates(float(mean.mean()), total, float(mean.var()), dof)


def treatment_amount(mine: Replicates, all_of_them: Sequence[Replicates]) -> Amount:
    """What the treatment emits, of which the plots are a sample.

    Replicates of emissions differ by factors: where the mean is clearly positive, or negative,
    the interval is E·exp(c²/2n ± t √T/E), c² being the squared coefficient of variation that the
    treatments have in common, with :data:`USUAL_CV` as one more of them; otherwise E ± t √T.
    """
    if mine.count > 1 and _clear(mine, all_of_them):
        square, dof = common_variation(all_of_them)
        between = square * mine.mean**2 / mine.count
        total = between + mine.within
        arm = student(total, between, dof) * np.sqrt(total) / abs(mine.mean)
        middle = 0.5 * square / mine.count
        ends = sorted((mine.mean * np.exp(middle - arm), mine.mean * np.exp(middle + arm)))
        return Amount(mine.mean, float(np.sqrt(total)), float(ends[0]), float(ends[1]))
    if not mine.dof > 0:
        return Amount(mine.mean, float("nan"), float("nan"), float("nan"))
    total = mine.between + mine.within
    half = student(total, mine.between, mine.dof) * float(np.sqrt(total))
    return Amount(mine.mean, float(np.sqrt(total)), mine.mean - half, mine.mean + half)


def common_variation(treatments: Sequence[Replicates]) -> tuple[float, float]:
    """Squared coefficient of variation that treatments have in common, and its degrees of
    freedom.
    """
    known = [r for r in treatments if r.count > 1 and _clear(r, treatments)]
    dof = sum(r.dof for r in known) + _USUAL_DOF
    total = sum(r.dof * r.relative for r in known) + _USUAL_DOF * USUAL_CV**2
    return total / dof, dof


def _clear(r: Replicates, all_of_them: Sequence[Replicates]) -> bool:
    """Whether a mean is so far from zero that replicates differ by factors."""
    above, below = (sum(t.signs[i] for t in all_of_them) for i in (0, 1))
    least = _ONE_SIGN if above + below >= 4 and 0 in (above, below) else _CLEAR
    return bool(abs(r.mean) > least * np.sqrt(r.between + r.within))


def student(total: float, between: float, dof: float) -> float:
    """Quantile of Student's t for a variance of two parts, the other of them the draws'
    [Satterthwaite1946]_.
    """
    return float(stats.t.ppf(_LEVEL, degrees_of_freedom(total, between, dof)))


def degrees_of_freedom(total: float, between: float, dof: float) -> float:
    """Of the sum of a variance with some degrees of freedom and of that of the draws."""
    within = max(total - between, 0.0)
    parts = between**2 / dof + within**2 / MODEL_DOF
    return total**2 / parts if parts > 0.0 else dof


def difference_in_blocks(
    treated: Floats, reference: Floats, treatments: Sequence[Replicates] = ()
) -> Difference:
    """A treatment less another, replicates of one block side by side.

    Parameters
    ----------
    treated, reference : ndarray, shape (blocks, draws)
    treatments : sequence of Replicates
        All, for how much replicates differ.

    Returns
    -------
    Difference
    """
    own = replicates_of(treated - reference)
    square, _ = common_variation(treatments)
    sizes = float(treated.mean()) ** 2 + float(reference.mean()) ** 2
    return _difference(own, (1.0 - _ALIKE) * square * sizes / own.count, "blocks")


def difference_of_two(
    treated: Floats, reference: Floats, treatments: Sequence[Replicates] = ()
) -> Difference:
    """A treatment less another whose replicates have nothing in common [Welch1947]_.

    Parameters
    ----------
    treated, reference : ndarray, shape (replicates, draws)
    treatments : sequence of Replicates
        As above.

    Returns
    -------
    Difference
    """
    a, b = replicates_of(treated), replicates_of(reference)
    between = a.between + b.between
    parts = sum(r.between**2 / r.dof for r in (a, b) if r.dof > 0)
    dof = between**2 / parts if parts > 0 and a.dof > 0 and b.dof > 0 else 0.0
    square, _ = common_variation(treatments)
    usual = square * (a.mean**2 / a.count + b.mean**2 / b.count)
    joined = Replicates(a.mean - b.mean, between, a.within + b.within, dof)
    return _difference(joined, usual, "welch")


def _difference(r: Replicates, usual: float, way: str) -> Difference:
    """``usual`` is the variance that the treatments' replicates have in common."""
    total = r.between + r.within
    if not r.dof > 0 or not total > 0:
        unknown = float("nan")
        nothing = Amount(r.mean, unknown, unknown, unknown)
        return Difference(nothing, nothing, unknown, way)
    dof = degrees_of_freedom(total, r.between, r.dof)
    p = 2.0 * float(stats.t.sf(abs(r.mean) / np.sqrt(total), dof))
    own = _symmetrical(r.mean, total, dof)
    between = (r.dof * r.between + _USUAL_DOF * usual) / (r.dof + _USUAL_DOF)
    if not between > r.between:
        # The usual spread makes less certain, and never more.
        return Difference(own, own, p, way)
    wide = between + r.within
    dof = degrees_of_freedom(wide, between, r.dof + _USUAL_DOF)
    return Difference(own, _symmetrical(r.mean, wide, dof), p, way)


def _symmetrical(mean: float, variance: float, dof: float) -> Amount:
    se = float(np.sqrt(variance))
    half = float(stats.t.ppf(_LEVEL, dof)) * se
    return Amount(mean, se, mean - half, mean + half)
