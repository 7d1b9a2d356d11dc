"""Two ways of measuring the same flux: how far they agree."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Agreement:
    """Of n pairs, in the unit of the fluxes unless said otherwise.

    Attributes
    ----------
    pairs : int
    difference : float
        Mean of second less first.
    low, high : float
        Its 95 % interval, by Student's t.
    p_paired_t, p_signed_rank : float
        That the differences are centred on zero: paired t, and Wilcoxon's signed ranks.
    limits : tuple of float
        Mean difference ± 1.96 standard deviations: where 95 % of single differences lie
        [BlandAltman1986]_.
    ratio : float
        Mean of second over mean of first [1].
    slope, intercept : float
        Of second on first with errors in both [Deming1943]_ [1, unit].
    """

    pairs: int
    difference: float
    low: float
    high: float
    p_paired_t: float
    p_signed_rank: float
    limits: tuple[float, float]
    ratio: float
    slope: float
    intercept: float


def agreement(first: Floats, second: Floats, first_se: Floats, second_se: Floats) -> Agreement:
    """Compare pairs of fluxes.

    Parameters
    ----------
    first, second : ndarray, shape (n,)
        The two measurements of each pair.
    first_se, second_se : ndarray, shape (n,)
        Their standard errors; only the ratio of their mean squares is used.

    Returns
    -------
    Agreement

    Raises
    ------
    ValueError
        There are fewer than three pairs.

    Notes
    -----
    Pairs of one round share weather and soil, so that they are fewer independent ones
    than there are chambers: read the interval as the narrowest that can be defended.
    """
    n = len(first)
    if n < 3:
        raise ValueError(f"{n} pairs are too few to compare; three are the least")
    apart = second - first
    mean, sd = float(np.mean(apart)), float(np.std(apart, ddof=1))
    half = float(stats.t.ppf(0.975, n - 1)) * sd / np.sqrt(n)
    same = bool(sd == 0.0)
    slope, intercept = _deming(first, second, first_se, second_se)
    return Agreement(
        pairs=n,
        difference=mean,
        low=mean - half,
        high=mean + half,
        p_paired_t=1.0 if same else float(stats.ttest_rel(second, first).pvalue),
        p_signed_rank=1.0 if not apart.any() else float(stats.wilcoxon(apart).pvalue),
        limits=(mean - 1.96 * sd, mean + 1.96 * sd),
        ratio=float(np.mean(second) / np.mean(first)),
        slope=slope,
        intercept=intercept,
    )


def _deming(x: Floats, y: Floats, x_se: Floats, y_se: Floats) -> tuple[float, float]:
    """Line with errors in both, of a known ratio of error variances."""
    ratio = float(np.mean(y_se**2) / np.mean(x_se**2))
    xx, yy = float(np.var(x, ddof=1)), float(np.var(y, ddof=1))
    xy = float(np.cov(x, y)[0, 1])
    if xy == 0.0:
        return float("nan"), float("nan")
    part = yy - ratio * xx
    slope = (part + np.sqrt(part**2 + 4.0 * ratio * xy**2)) / (2.0 * xy)
    return float(slope), float(np.mean(y) - slope * np.mean(x))


def value_at(
    when: float, times: Floats, values: Floats, errors: Floats, within: float
) -> tuple[float, float] | None:
    """A series at one moment.

    Parameters
    ----------
    when : float
        The moment, in the unit of ``times``.
    times, values, errors : ndarray, shape (n,)
        The series in order of time, and its standard errors.
    within : float
        How far from the moment a value may lie.

    Returns
    -------
    tuple of float or None
        Between the values before and after where both lie within reach, the nearest
        otherwise, with its standard error; None where none does.
    """
    i = int(np.searchsorted(times, when))
    before = i - 1 if i > 0 and when - times[i - 1] <= within else None
    after = i if i < len(times) and times[i] - when <= within else None
    if before is None or after is None:
        only = before if after is None else after
        return None if only is None else (float(values[only]), float(errors[only]))
    share = float((when - times[before]) / (times[after] - times[before]))
    value = (1 - share) * values[before] + share * values[after]
    return float(value), float(np.hypot((1 - share) * errors[before], share * errors[after]))
