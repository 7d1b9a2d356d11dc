"""What is left when a model is taken away: the noise of a closure, and Akaike's criterion."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.science.models.result import Fit, FitStatus

Floats = NDArray[np.float64]

FEWEST: Final = 8.0
"""Independent points that samples in a row count for at least. Where hardly any noise is
left, what remains is slow and would count for fewer than a criterion needs."""

ROUNDING: Final = 1e-12
"""Residuals below this share of the mole fraction are rounding."""


@dataclass(frozen=True, slots=True)
class Noise:
    """The noise of m closures, read from the model that leaves least of each, so that
    the misfit of a line to a curve is not taken for noise; arrays of shape (m,).

    Attributes
    ----------
    variance, long_run : ndarray
        Plain and long-run residual variance.
    points, effective : ndarray
        Points, and how many independent ones they count for.
    level : ndarray
        Mean square below which residuals are rounding of the arithmetic.
    line_se, dof : ndarray
        Standard error of a line's slope under this noise, and its degrees of freedom.
    """

    variance: Floats
    long_run: Floats
    points: Floats
    effective: Floats
    level: Floats
    line_se: Floats
    dof: Floats

    @property
    def ratio(self) -> Floats:
        """Long-run over plain variance; 1 where nothing is left."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self.variance > 0, self.long_run / self.variance, 1.0)


def read_noise(fits: Mapping[str, Fit], *, known_variance: bool) -> Noise:
    """The noise of each closure, from candidates fitted to the same m segments."""
    rss = np.column_stack([np.where(stands(f), f.rss, np.inf) for f in fits.values()])
    best = np.argmin(rss, axis=1)
    rows = np.arange(len(best))

    def of_best(name: str) -> Floats:
        return np.asarray(np.column_stack([getattr(f, name) for f in fits.values()])[rows, best])

    variance, long_run = of_best("variance"), of_best("long_run")
    points = next(iter(fits.values())).points.astype(np.float64)
    level = (ROUNDING * np.nan_to_num(np.abs(of_best("start")))) ** 2
    parameters = np.array([f.parameters for f in fits.values()])[best]
    reference = fits.get("linear", next(iter(fits.values())))
    with np.errstate(divide="ignore", invalid="ignore"):
        left = np.where(reference.long_run > 0, long_run / reference.long_run, 1.0)
        line_se = reference.slope_se * np.sqrt(left)
        if known_variance:
            endless = np.full(len(points), np.inf)
            return Noise(variance, long_run, points, points, level, line_se, endless)
        told = (variance > level) & (long_run > 0)
        effective = np.where(told, points * variance / long_run, points)
    effective = np.maximum(effective, np.minimum(points, FEWEST))
    dof = np.maximum(effective - parameters, 1.0)
    return Noise(variance, long_run, points, effective, level, line_se, dof)


def criteria(fits: Mapping[str, Fit], noise: Noise, *, known_variance: bool) -> Floats:
    """AICc of each candidate, or AIC where variances are known, shape (m, models)."""
    columns = []
    for f in fits.values():
        counts = stands(f)
        if known_variance:
            columns.append(np.where(counts, f.rss / noise.long_run + 2 * f.parameters, np.inf))
            continue
        with np.errstate(divide="ignore", invalid="ignore"):
            mean_square = np.maximum(f.rss / noise.points, noise.level)
        rss = np.where(counts, f.rss, np.nan)
        columns.append(aicc(rss, noise.effective, f.parameters + 1, mean_square))
    return np.column_stack(columns)


def aicc(rss: Floats, points: Floats, parameters: int, variance: Floats) -> Floats:
    """Akaike's criterion, corrected for few points (Eq. 15 of METHODS.md).

    Parameters
    ----------
    rss : ndarray
        Residual sum of squares.
    points : ndarray
        Number of independent points n.
    parameters : int
        K, coefficients and the variance.
    variance : ndarray
        RSS/n in the unit of the logarithm (the same for all models up to a constant).

    Returns
    -------
    ndarray
        n ln(RSS/n) + 2K + 2K(K + 1)/(n − K − 1) [BurnhamAnderson2002]_; infinite
        where n ≤ K + 1.
    """
    n = np.asarray(points, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = n * np.log(variance) + 2 * parameters
        value = value + 2 * parameters * (parameters + 1) / (n - parameters - 1)
    return np.where((n > parameters + 1) & np.isfinite(rss), value, np.inf)


def stands(fit: Fit) -> NDArray[np.bool_]:
    """Fits whose residuals mean something: also those that ended as a line or at a bound."""
    return np.asarray((fit.status != FitStatus.FEW_POINTS) & (fit.status != FitStatus.SAME_TIME))
