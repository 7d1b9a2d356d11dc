"""What was measured of each day, for one chamber and gas."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.science.field.daily import daily_means, diel_course

Floats = NDArray[np.float64]

_WHOLE: Final = 0.75
"""Share of a day from which its mean stands for all of it."""
_PART: Final = 0.1
"""Share from which what was measured says something of the rest."""


def measured_days(
    t_h: Floats, flux: Floats, fit_se: Floats, days: int, max_gap_h: float = 8.0
) -> tuple[Floats, Floats, Floats]:
    """Mean, standard error and coverage of each day.

    Parameters
    ----------
    t_h : ndarray, shape (n,)
        Since the first day began at the station, increasing [h].
    flux, fit_se : ndarray, shape (n,)
        The part of the standard errors that is each flux's own.
    days : int
    max_gap_h : float
        Fluxes further apart are not joined [h].

    Returns
    -------
    tuple of ndarray, shape (days,)
        Mean and its standard error, NaN where nothing was measured; the share of the day that
        they stand for [1]. Few or bunched fluxes are allowed for by the course over the hours
        of a day, where the chamber has one.
    """
    nothing = np.full(days, np.nan), np.full(days, np.nan), np.zeros(days)
    if len(t_h) < 2:
        return nothing
    course = diel_course(t_h, flux, max_gap_h=max_gap_h)
    none = np.zeros(len(t_h))
    made = daily_means(
        t_h, flux, fit_se, none, days,
        max_gap_h=max_gap_h, min_coverage=_WHOLE, least_coverage=_PART, course=course,
    )  # fmt: skip
    plain = daily_means(t_h, flux, fit_se, none, days, max_gap_h=max_gap_h, min_coverage=_PART)
    mean = np.where(np.isnan(made.flux), plain.flux, made.flux)
    se = np.where(np.isnan(made.flux), plain.se, made.se)
    share = np.where(made.coverage >= _WHOLE, 1.0, made.coverage)
    return mean, se, np.where(np.isnan(mean), 0.0, share)
