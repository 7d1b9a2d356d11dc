"""Calibration by standard gases: what the analyzer shows for known gas, and what that says
of the gas between.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

Kind = Literal["offset", "factor", "linear", "quadratic"]
NEEDS: Final[dict[str, int]] = {"offset": 1, "factor": 1, "linear": 2, "quadratic": 3}
"""Standards that each kind of response needs."""


@dataclass(frozen=True, slots=True)
class Response:
    """From measured to true at one moment: true = offset + gain m + bend m².

    Attributes
    ----------
    offset : float
        [nmol mol⁻¹]
    gain : float
        [1]
    bend : float
        [mol nmol⁻¹]
    gain_se : float
        Standard error of the slope of the response, amid the standards [1].
    level_se, centre, bend_se : float
        Standard errors of the level at the standards' weighted mean ``centre``
        [nmol mol⁻¹], and of the bend [mol nmol⁻¹].
    residual : float
        Largest distance of a standard from the response, over the span of the
        standards [1]; 0 where there are no more standards than coefficients.
    """

    offset: float
    gain: float
    bend: float
    gain_se: float
    residual: float
    level_se: float = 0.0
    centre: float = 0.0
    bend_se: float = 0.0

    def se(self, measured: Floats | float) -> Floats:
        """Standard error of the true mole fraction that the standards leave [nmol mol⁻¹].

        It grows away from the standards, where the response is an extrapolation.
        """
        far = measured - self.centre
        return np.sqrt(self.level_se**2 + (self.gain_se * far) ** 2 + (self.bend_se * far**2) ** 2)

    def true(self, measured: Floats) -> Floats:
        """True mole fractions [nmol mol⁻¹], shape as measured."""
        return np.asarray(self.offset + measured * (self.gain + self.bend * measured))

    def slope(self, measured: float) -> float:
        """d true/d measured [1]."""
        return self.gain + 2.0 * self.bend * measured


def response_of(kind: Kind, measured: Floats, known: Floats, error: Floats) -> Response:
    """The response through standards measured at one moment.

    Parameters
    ----------
    kind : str
        ``offset``: true = m + b; ``factor``: true = a m; ``linear``; ``quadratic``.
    measured, known : ndarray, shape (s,)
        What the analyzer shows, and what the gas is [nmol mol⁻¹].
    error : ndarray, shape (s,)
        Standard error of the difference, that of the visit and of the gas [nmol mol⁻¹].

    Returns
    -------
    Response

    Raises
    ------
    ValueError
        There are too few standards, or they lie too close together, for this kind.

    Notes
    -----
    Weighted least squares of known on measured; the errors of both stand together, since
    the gain is near one (Eq. 21 of METHODS.md).
    """
    s = len(measured)
    if s < NEEDS[kind]:
        raise ValueError(f"a response of kind {kind} needs {NEEDS[kind]} standards, not {s}")
    weight = 1.0 / np.square(error)
    centre = float(np.sum(weight * measured) / np.sum(weight))
    if kind == "offset":
        offset = float(np.sum(weight * (known - measured)) / np.sum(weight))
        left = _residual(known - measured - offset, known)
        return Response(offset, 1.0, 0.0, 0.0, left, level_se=float(np.sum(weight)) ** -0.5)
    if kind == "factor":
        power = float(np.sum(weight * measured**2))
        if not power > 0.0:
            raise ValueError("a factor needs a standard that is not zero gas")
        gain = float(np.sum(weight * measured * known) / power)
        return Response(0.0, gain, 0.0, power**-0.5, _residual(known - gain * measured, known))
    degree = 1 if kind == "linear" else 2
    span = float(np.ptp(measured))
    if not span > 0.0:
        raise ValueError("standards of different mole fractions are needed")
    x = (measured - centre) / span
    design = np.vander(x, degree + 1, increasing=True) / error[:, None]
    covariance = np.linalg.inv(design.T @ design)
    beta = covariance @ design.T @ (known / error)
    fitted = np.vander(x, degree + 1, increasing=True) @ beta
    slope, bend = float(beta[1]) / span, float(beta[2]) / span**2 if degree == 2 else 0.0
    return Response(
        offset=float(beta[0]) - slope * centre + bend * centre**2,
        gain=slope - 2.0 * bend * centre,
        bend=bend,
        gain_se=float(np.sqrt(covariance[1, 1])) / span,
        residual=_residual(known - fitted, known) if s > degree + 1 else 0.0,
        level_se=float(np.sqrt(covariance[0, 0])),
        centre=centre,
        bend_se=float(np.sqrt(covariance[2, 2])) / span**2 if degree == 2 else 0.0,
    )


def _residual(distance: Floats, known: Floats) -> float:
    if len(known) == 1:
        return 0.0
    span = max(float(np.ptp(known)), 1e-12)
    return float(np.max(np.abs(distance))) / span


def between(at: Floats, when: Floats, value: Floats, error: Floats) -> tuple[Floats, Floats]:
    """What a standard would have shown at some moments.

    Parameters
    ----------
    at : ndarray, shape (n,)
        Moments [s].
    when, value, error : ndarray, shape (v,)
        Its visits in order of time [s], what they showed, and the standard errors.

    Returns
    -------
    tuple of ndarray, shape (n,)
        Linear between the visits before and after, which takes out a steady drift; the
        nearest visit's beyond the first and the last. With its standard error.
    """
    i = np.clip(np.searchsorted(when, at), 1, max(1, len(when) - 1))
    if len(when) == 1:
        return np.full(len(at), value[0]), np.full(len(at), error[0])
    share = np.clip((at - when[i - 1]) / (when[i] - when[i - 1]), 0.0, 1.0)
    found = (1.0 - share) * value[i - 1] + share * value[i]
    return found, np.hypot((1.0 - share) * error[i - 1], share * error[i])
