"""What every accumulation model returns, and the reasons a fit may give."""

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class FitStatus(IntEnum):
    """Why a fit can or cannot stand, stored beside it."""

    OK = 0
    FEW_POINTS = 1
    """Fewer points than the model has parameters, plus one for the noise."""
    SAME_TIME = 2
    """All points lie at one moment, or at too few distinct ones."""
    NO_CURVATURE = 3
    """The best curve is a line, or bends the other way."""
    CURVE_AT_BOUND = 4
    """The curve is over before the first point: nothing resolves it."""


STATUS_WORDS: Final = {
    FitStatus.OK: "ok",
    FitStatus.FEW_POINTS: "few_points",
    FitStatus.SAME_TIME: "same_time",
    FitStatus.NO_CURVATURE: "no_curvature",
    FitStatus.CURVE_AT_BOUND: "curve_at_bound",
}

# Columns that the kernels fill, one row a segment.
STATUS, START, START_SE, SLOPE, SLOPE_SE, CURVATURE, CURVATURE_SE, COVARIANCE = range(8)
RSS, TSS, VARIANCE, LONG_RUN = range(8, 12)
COLUMNS: Final = 12


@dataclass(frozen=True, slots=True)
class Fit:
    """One model fitted to m segments; every array has shape (m,).

    Attributes
    ----------
    model : str
        Name of the model.
    parameters : int
        Number of fitted coefficients p.
    points : ndarray
        Points used.
    status : ndarray of int
        :class:`FitStatus`.
    start, start_se : ndarray
        Mole fraction at the moment the lid closed, and its standard error [nmol mol⁻¹].
    slope, slope_se : ndarray
        Rate of change at that moment, and its standard error [nmol mol⁻¹ s⁻¹].
    curvature, curvature_se : ndarray
        ``saturating``: rate constant k [s⁻¹]; ``quadratic``: second coefficient
        [nmol mol⁻¹ s⁻²]; ``diffusive``: 1/τ [s⁻¹]; ``linear``, ``theil_sen``: 0.
    covariance : ndarray
        Covariance of slope and curvature.
    rss : ndarray
        Weighted residual sum of squares.
    r_squared : ndarray
        1 − RSS/TSS, weighted, centred.
    variance : ndarray
        Residual variance RSS/(n − p).
    long_run : ndarray
        Variance that the standard errors were scaled by: the long-run variance for
        samples in a row, the larger of 1 and RSS/(n − p) where the variance of each
        point is known.
    """

    model: str
    parameters: int
    points: NDArray[np.int64]
    status: NDArray[np.int64]
    start: Floats
    start_se: Floats
    slope: Floats
    slope_se: Floats
    curvature: Floats
    curvature_se: Floats
    covariance: Floats
    rss: Floats
    r_squared: Floats
    variance: Floats
    long_run: Floats

    @property
    def ok(self) -> NDArray[np.bool_]:
        """Where the fit stands."""
        return np.asarray(self.status == FitStatus.OK)


def as_fit(model: str, parameters: int, points: NDArray[np.int64], out: Floats) -> Fit:
    """Name the columns that a kernel filled, shape (m, COLUMNS)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        r_squared = 1.0 - out[:, RSS] / out[:, TSS]
    return Fit(
        model=model,
        parameters=parameters,
        points=points,
        status=out[:, STATUS].astype(np.int64),
        start=out[:, START],
        start_se=out[:, START_SE],
        slope=out[:, SLOPE],
        slope_se=out[:, SLOPE_SE],
        curvature=out[:, CURVATURE],
        curvature_se=out[:, CURVATURE_SE],
        covariance=out[:, COVARIANCE],
        rss=out[:, RSS],
        r_squared=r_squared,
        variance=out[:, VARIANCE],
        long_run=out[:, LONG_RUN],
    )
