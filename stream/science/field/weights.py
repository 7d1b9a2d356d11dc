"""From positions to a plot, and from plots to a treatment."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Weighted:
    """Means over d days; arrays of shape (d,).

    Attributes
    ----------
    flux, se : ndarray
        Weighted mean and its standard error; NaN where it cannot be had.
    measured : ndarray
        Area fraction that was measured [1].
    estimated : ndarray of bool
        Whether a missing position was estimated.
    """

    flux: Floats
    se: Floats
    measured: Floats
    estimated: NDArray[np.bool_]


def by_area(
    flux: Mapping[str, Floats],
    se: Mapping[str, Floats],
    fractions: Mapping[str, Floats],
    *,
    least: float = 0.5,
    ratios: Mapping[tuple[str, str], float] | None = None,
) -> Weighted:
    """Weight the fluxes of positions by their shares of the area.

    Parameters
    ----------
    flux, se : mapping of str to ndarray, shape (d,)
        Position → its daily means and their standard errors; NaN where there is none.
    fractions : mapping of str to ndarray, shape (d,)
        Position → its share of the area on each day, which sum to 1.
    least : float
        Share of the area that must be measured for a day to stand.
    ratios : mapping, optional
        (missing, present) → the usual ratio of their fluxes; a missing position is
        estimated from those that are there. Without it days with one missing are NaN.

    Returns
    -------
    Weighted
        F = Σ wᵢ Fᵢ, se² = Σ wᵢ² seᵢ² [common practice; independent errors].
    """
    names = [p for p in fractions if p in flux or (fractions[p] > 0).any()]
    days = len(next(iter(fractions.values())))
    nothing = np.full(days, np.nan)
    total, variance, measured = np.zeros(days), np.zeros(days), np.zeros(days)
    estimated = np.zeros(days, dtype=bool)
    known = np.ones(days, dtype=bool)
    for name in names:
        w = fractions[name]
        value, error = flux.get(name, nothing), se.get(name, nothing)
        there = ~np.isnan(value)
        needed = w > 0
        measured += np.where(there, w, 0.0)
        guess, guess_se = _from_others(name, flux, se, ratios or {}, days)
        use = there | ~np.isnan(guess)
        known &= use | ~needed
        estimated |= needed & ~there & use
        total += np.where(needed & use, w * np.where(there, value, guess), 0.0)
        variance += np.where(needed & use, (w * np.where(there, error, guess_se)) ** 2, 0.0)
    good = known & (measured >= least)
    return Weighted(
        flux=np.where(good, total, np.nan),
        se=np.where(good, np.sqrt(variance), np.nan),
        measured=measured,
        estimated=estimated & good,
    )


def spread_by_area(
    flux: Mapping[str, Floats],
    se: Mapping[str, Floats],
    spread: Mapping[str, Floats],
    fractions: Mapping[str, Floats],
) -> Floats:
    """Standard error of a weighted mean by the spread of plots within positions.

    Parameters
    ----------
    flux, se, spread : mapping of str to ndarray, shape (d,)
        Position → mean over its plots, its error as measured, and its standard error by the
        spread of its plots, NaN where it has one plot.
    fractions : mapping of str to ndarray, shape (d,)
        Position → its share of the area.

    Returns
    -------
    ndarray, shape (d,)
        √Σ wᵢ² sᵢ²/nᵢ; NaN where no position has two plots. A position with one plot is taken to
        spread as widely, over its mean, as the others do, and no less than it was measured.
    """
    names = [p for p in fractions if p in flux]
    days = len(next(iter(fractions.values())))
    known = [np.abs(spread[p] / flux[p]) for p in names]
    table = np.array(known) if known else np.full((1, days), np.nan)
    table = np.where(np.isfinite(table), table, np.nan)
    count = (~np.isnan(table)).sum(axis=0)
    nothing = np.full(days, np.nan)
    usual = np.divide(np.nansum(table, axis=0), count, out=nothing, where=count > 0)
    variance = np.zeros(days)
    for name in names:
        alone = np.hypot(usual * flux[name], se[name])
        part = np.where(np.isnan(spread[name]), alone, spread[name])
        variance += np.where(fractions[name] > 0, np.nan_to_num((fractions[name] * part) ** 2), 0.0)
    return np.where(count > 0, np.sqrt(variance), np.nan)


def spread_over_positions(values: Sequence[Floats]) -> tuple[float, float]:
    """Standard error of a sum over positions, each the mean of its plots, and half of its 90 %
    interval.

    Parameters
    ----------
    values : sequence of ndarray
        Of each position the contributions of its plots to the sum, were each alone there; two
        in one position at least.

    Returns
    -------
    tuple of float
        √Σ sᵢ²/nᵢ, and Student's quantile times that, with the degrees of freedom of
        [Satterthwaite1946]_. A position with one plot is taken to spread as widely, over its
        mean, as the others do.
    """
    several = [v for v in values if len(v) > 1]
    relative = [np.var(v, ddof=1) / np.mean(v) ** 2 for v in several if np.mean(v) != 0.0]
    usual = float(np.mean(relative)) if relative else 0.0
    borrowed = sum(len(v) - 1 for v in several)
    parts = []
    for v in values:
        variance = np.var(v, ddof=1) if len(v) > 1 else usual * v[0] ** 2
        parts.append((float(variance) / len(v), len(v) - 1 if len(v) > 1 else borrowed))
    total = sum(a for a, _ in parts)
    if not total > 0.0:
        return 0.0, 0.0
    dof = total**2 / sum(a**2 / n for a, n in parts)
    se = float(np.sqrt(total))
    return se, float(stats.t.ppf(0.95, dof)) * se


def _from_others(
    name: str,
    flux: Mapping[str, Floats],
    se: Mapping[str, Floats],
    ratios: Mapping[tuple[str, str], float],
    days: int,
) -> tuple[Floats, Floats]:
    """Mean of what the other positions say of one, and half of their spread or of it."""
    guesses = [
        ratios[name, other] * values
        for other, values in flux.items()
        if other != name and (name, other) in ratios
    ]
    if not guesses:
        return np.full(days, np.nan), np.full(days, np.nan)
    table = np.array(guesses)
    count = (~np.isnan(table)).sum(axis=0)
    mean = np.divide(np.nansum(table, axis=0), count, out=np.full(days, np.nan), where=count > 0)
    # Nobody measured it: as uncertain as it is large, by half.
    return mean, np.abs(mean) * 0.5


def usual_ratios(flux: Mapping[str, Floats], least: int = 5) -> dict[tuple[str, str], float]:
    """Ratios of the means of positions over the days on which both were measured.

    Parameters
    ----------
    flux : mapping of str to ndarray, shape (d,)
        Position → daily means.
    least : int
        Days that are needed.

    Returns
    -------
    dict
        (position, other) → mean of the first over mean of the second, where there are
        enough days and the second's mean is not zero.
    """
    found = {}
    for a, x in flux.items():
        for b, y in flux.items():
            both = ~np.isnan(x) & ~np.isnan(y)
            if a == b or both.sum() < least:
                continue
            mean = float(np.mean(y[both]))
            if mean != 0.0:
                found[a, b] = float(np.mean(x[both])) / mean
    return found


def over_plots(plots: Sequence[Floats]) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Mean over replicate plots, day by day.

    Parameters
    ----------
    plots : sequence of ndarray, shape (d,)
        Plots of one treatment; NaN where a plot has no value.

    Returns
    -------
    tuple of ndarray, shape (d,)
        Mean; standard error s/√n of the replicates, NaN for fewer than two; and n.
    """
    table = np.array(plots)
    n = (~np.isnan(table)).sum(axis=0)
    days = table.shape[1]
    mean = np.divide(np.nansum(table, axis=0), n, out=np.full(days, np.nan), where=n > 0)
    apart = np.nansum((table - mean) ** 2, axis=0)
    variance = np.divide(apart, n - 1, out=np.full(days, np.nan), where=n > 1)
    return mean, np.sqrt(variance / np.maximum(n, 1)), n
