"""From sub-daily fluxes to days: time-weighted, with a rule for what is missing."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

HOURS: Final = 24
_CLEAR: Final = 4.0
"""Mean over its standard error from which a diel course is taken as a ratio."""


@dataclass(frozen=True, slots=True)
class Days:
    """Means of d days; arrays of shape (d,).

    Attributes
    ----------
    flux : ndarray
        Time-weighted mean, in the unit of the fluxes; NaN where too little was measured.
    se : ndarray
        Its standard error.
    coverage : ndarray
        Share of the day that lies between fluxes near enough to one another [1].
    fluxes : ndarray of int
        Fluxes measured on the day.
    corrected : ndarray of bool
        Whether hours that are missing were allowed for by the diel course.
    """

    flux: Floats
    se: Floats
    coverage: Floats
    fluxes: NDArray[np.int64]
    corrected: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Pieces:
    """Stretches between neighbouring fluxes, cut at hours; arrays of shape (p,).

    ``weight`` [h] times the value at ``left`` and ``right`` (indices of fluxes) by
    ``share`` and 1 − share makes the integral of the straight line over the piece.
    """

    hour: NDArray[np.int64]
    left: NDArray[np.int64]
    share: Floats
    weight: Floats


def pieces_of(t_h: Floats, max_gap_h: float) -> Pieces:
    """Cut the time between neighbours at whole hours.

    Parameters
    ----------
    t_h : ndarray, shape (n,)
        Times of the fluxes, increasing [h].
    max_gap_h : float
        Neighbours further apart are not joined [h].

    Returns
    -------
    Pieces
        Of every stretch that is joined; ``hour`` is the whole hour that a piece lies in.
    """
    first, last = t_h[:-1], t_h[1:]
    joined = np.flatnonzero((last - first <= max_gap_h) & (last > first))
    a, b = first[joined], last[joined]
    begin = np.floor(a)
    count = (np.ceil(b) - begin).astype(np.int64)
    of = np.repeat(np.arange(len(joined)), count)
    ends = np.cumsum(count)
    # Which piece of its stretch each one is, from 0.
    step = np.arange(len(of)) - np.repeat(ends - count, count)
    low = np.where(step == 0, a[of], begin[of] + step)
    high = np.where(step == count[of] - 1, b[of], begin[of] + step + 1.0)
    middle = 0.5 * (high + low)
    return Pieces(
        np.floor(middle).astype(np.int64),
        joined[of].astype(np.int64),
        (b[of] - middle) / (b[of] - a[of]),
        high - low,
    )


def daily_means(
    t_h: Floats,
    flux: Floats,
    fit_se: Floats,
    common_se: Floats,
    days: int,
    *,
    max_gap_h: float = 8.0,
    min_coverage: float = 0.75,
    least_coverage: float = 0.25,
    course: Floats | None = None,
) -> Days:
    """Means of days, fluxes joined by straight lines.

    Parameters
    ----------
    t_h : ndarray, shape (n,)
        Times since the first day began, at station time, increasing [h].
    flux, fit_se, common_se : ndarray, shape (n,)
        Fluxes; the part of their standard errors that is each one's own, and that which all
        of a chamber share (height, area, sensors).
    days : int
        How many days.
    max_gap_h : float
        Neighbours further apart are not joined [h].
    min_coverage : float
        Share of a day that must be covered for its mean to stand [1].
    least_coverage : float
        Share from which missing hours are allowed for by the diel course, if there is one.
    course : ndarray, shape (24,), optional
        Of :func:`diel_course`.

    Returns
    -------
    Days
        Own errors add up as squares, common ones as they are.
    """
    pieces = pieces_of(t_h, max_gap_h)
    day = pieces.hour // HOURS
    inside = (day >= 0) & (day < days)
    total = np.zeros(days)
    hours = np.zeros(days)
    common = np.zeros(days)
    own = np.zeros(days)
    made = np.full(days, np.nan)
    corrected = np.zeros(days, dtype=bool)
    right = pieces.left + 1
    value = pieces.share * flux[pieces.left] + (1.0 - pieces.share) * flux[right]
    np.add.at(hours, day[inside], pieces.weight[inside])
    np.add.at(total, day[inside], (pieces.weight * value)[inside])
    shared = pieces.share * common_se[pieces.left] + (1.0 - pieces.share) * common_se[right]
    np.add.at(common, day[inside], (pieces.weight * shared)[inside])
    own = _own_error(pieces, fit_se, day, inside, days)
    covered = np.divide(total, hours, out=np.full(days, np.nan), where=hours > 0)
    coverage = hours / HOURS
    whole = coverage >= min_coverage
    made[whole] = covered[whole]
    if course is not None:
        for d in np.flatnonzero(~whole & (coverage >= least_coverage)):
            mine = inside & (day == d)
            at = pieces.hour[mine] - d * HOURS
            usual = float(np.sum(course[at] * pieces.weight[mine]) / hours[d])
            if np.isfinite(usual) and usual > 0.2:
                made[d] = covered[d] / usual
                corrected[d] = True
    with np.errstate(divide="ignore", invalid="ignore"):
        se = np.hypot(own, common) / hours
        scale = np.where(corrected & (covered != 0), np.abs(made / covered), 1.0)
    # What was not seen is as uncertain as the course is: a third of what it changed.
    doubt = np.where(corrected, np.abs(made - covered) / 3.0, 0.0)
    count = np.zeros(days, dtype=np.int64)
    on = np.floor(t_h / HOURS).astype(np.int64)
    known = (on >= 0) & (on < days)
    np.add.at(count, on[known], 1)
    return Days(
        flux=made,
        se=np.where(np.isfinite(made), np.hypot(se * scale, doubt), np.nan),
        coverage=coverage,
        fluxes=count,
        corrected=corrected,
    )


def _own_error(
    pieces: Pieces,
    fit_se: Floats,
    day: NDArray[np.int64],
    inside: NDArray[np.bool_],
    days: int,
) -> Floats:
    """Of each day the root of the sum of squares of (hours that a flux stands for) · error."""
    n = len(fit_se)
    keys: list[NDArray[np.int64]] = []
    parts: list[Floats] = []
    for index, part in ((pieces.left, pieces.share), (pieces.left + 1, 1.0 - pieces.share)):
        keys.append((day * (n + 1) + index)[inside])
        parts.append((pieces.weight * part)[inside])
    key, where = np.unique(np.concatenate(keys), return_inverse=True)
    hours = np.bincount(where, np.concatenate(parts), minlength=len(key))
    found = np.zeros(days)
    if len(key):
        np.add.at(found, key // (n + 1), (hours * fit_se[key % (n + 1)]) ** 2)
    return np.sqrt(found)


def diel_course(t_h: Floats, flux: Floats, *, max_gap_h: float = 8.0) -> Floats | None:
    """How fluxes go over the hours of a day, over their daily mean.

    Parameters
    ----------
    t_h, flux : ndarray, shape (n,)
        As in :func:`daily_means`.
    max_gap_h : float
        As there.

    Returns
    -------
    ndarray, shape (24,), or None
        Median over fully covered days of the hour's mean over the day's; its own mean is
        1. None where fewer than five days are covered, or the mean cannot be told from
        zero, so that ratios mean nothing. Common practice, no source.
    """
    if len(t_h) < 2:
        return None
    pieces = pieces_of(t_h, max_gap_h)
    value = pieces.share * flux[pieces.left] + (1.0 - pieces.share) * flux[pieces.left + 1]
    first = int(pieces.hour.min()) if len(pieces.hour) else 0
    span = int(pieces.hour.max()) - first + 1 if len(pieces.hour) else 0
    total, weight = np.zeros(span), np.zeros(span)
    np.add.at(total, pieces.hour - first, pieces.weight * value)
    np.add.at(weight, pieces.hour - first, pieces.weight)
    hourly = np.divide(total, weight, out=np.full(span, np.nan), where=weight > 0.5)
    lead = -first % HOURS
    count = (span - lead) // HOURS
    if count < 5:
        return None
    table = hourly[lead : lead + count * HOURS].reshape(count, HOURS)
    table = table[~np.isnan(table).any(axis=1)]
    if len(table) < 5:
        return None
    means = table.mean(axis=1)
    error = float(np.std(means, ddof=1)) / np.sqrt(len(means))
    if not abs(float(np.mean(means))) > _CLEAR * error:
        return None
    means = np.where(np.abs(means) > 0.1 * abs(float(np.median(means))), means, np.nan)
    with np.errstate(all="ignore"):
        ratio = np.nanmedian(table / means[:, None], axis=0)
    mean = float(np.mean(ratio))
    return np.asarray(ratio / mean) if np.isfinite(mean) and mean > 0 else None
