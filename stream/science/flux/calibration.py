"""Calibration by standard gases: what the analyzer shows for known gas, and what that says
of the gas between.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

Kind = Literal["offset", "factor", "linear", "quadratic"]
NEEDS: Final[dict[str, int]] = {"offset": 1, "factor": 1, "linear": 2, "quadratic": 3}
"""Standards that each kind of response needs."""


@dataclass(frozen=True, slots=True)
class Response:
    """From measured to true at each of n moments: true = offset + gain m + bend m²; arrays
    of shape (n,). What the analyzer shows (m) may be a mole fraction or a peak area, here
    called [shown].

    Attributes
    ----------
    offset : ndarray
        [nmol mol⁻¹]
    gain : ndarray
        [nmol mol⁻¹ a shown]
    bend : ndarray
        [nmol mol⁻¹ a shown²]
    gain_se : ndarray
        Standard error of the slope of the response, amid the standards, as of ``gain``.
    residual : ndarray
        Largest distance of a standard from the response, over the span of the
        standards [1]; 0 where there are no more standards than coefficients.
    level_se, centre, bend_se : ndarray
        Standard error of the level at the standards' weighted mean ``centre``
        [nmol mol⁻¹, shown], and of the bend.
    """

    offset: Floats
    gain: Floats
    bend: Floats
    gain_se: Floats
    residual: Floats
    level_se: Floats
    centre: Floats
    bend_se: Floats

    def se(self, measured: Floats) -> Floats:
        """Standard error of the true mole fraction that the standards leave [nmol mol⁻¹].

        It grows away from the standards, where the response is an extrapolation.
        """
        far = measured - self.centre
        return np.sqrt(self.level_se**2 + (self.gain_se * far) ** 2 + (self.bend_se * far**2) ** 2)

    def true(self, measured: Floats) -> Floats:
        """True mole fractions [nmol mol⁻¹], one for each moment."""
        return np.asarray(self.offset + measured * (self.gain + self.bend * measured))

    def slope(self, measured: Floats) -> Floats:
        """d true/d measured [nmol mol⁻¹ a shown]."""
        return np.asarray(self.gain + 2.0 * self.bend * measured)


def response_of(kind: Kind, measured: Floats, known: Floats, error: Floats) -> Response:
    """The response through standards, at each of n moments.

    Parameters
    ----------
    kind : str
        ``offset``: true = m + b; ``factor``: true = a m; ``linear``; ``quadratic``.
    measured : ndarray, shape (n, s) or (s,)
        What the analyzer shows of each standard at each moment [shown].
    known : ndarray, shape (s,)
        What the gas is [nmol mol⁻¹].
    error : ndarray, shape as measured
        Standard error of the difference, that of the visit and of the gas [nmol mol⁻¹].

    Returns
    -------
    Response
        A single moment where ``measured`` has one dimension.

    Raises
    ------
    ValueError
        There are too few standards, or they lie too close together, for this kind.

    Notes
    -----
    Weighted least squares of known on measured; the errors of both stand together, those
    of the visits turned into mole fractions by the slope (Eq. 21 of METHODS.md).
    """
    measured, error = np.atleast_2d(measured), np.atleast_2d(error)
    n, s = measured.shape
    if s < NEEDS[kind]:
        raise ValueError(f"a response of kind {kind} needs {NEEDS[kind]} standards, not {s}")
    weight = 1.0 / np.square(error)
    total = weight.sum(axis=1)
    centre = np.sum(weight * measured, axis=1) / total
    zero, one = np.zeros(n), np.ones(n)
    if kind == "offset":
        offset = np.sum(weight * (known - measured), axis=1) / total
        left = _residual(known - measured - offset[:, None], known)
        return Response(offset, one, zero, zero, left, total**-0.5, centre, zero)
    if kind == "factor":
        power = np.sum(weight * measured**2, axis=1)
        if not (power > 0.0).all():
            raise ValueError("a factor needs a standard that is not zero gas")
        gain = np.sum(weight * measured * known, axis=1) / power
        left = _residual(known - gain[:, None] * measured, known)
        return Response(zero, gain, zero, power**-0.5, left, zero, zero, zero)
    degree = 1 if kind == "linear" else 2
    span = np.ptp(measured, axis=1)
    if not (span > 0.0).all():
        raise ValueError("standards of different mole fractions are needed")
    x = (measured - centre[:, None]) / span[:, None]
    powers = np.stack([x**i for i in range(degree + 1)], axis=2)
    design = powers / error[:, :, None]
    turned = design.transpose(0, 2, 1)
    covariance = np.linalg.inv(turned @ design)
    beta = (covariance @ (turned @ (known / error)[:, :, None]))[:, :, 0]
    fitted = np.sum(powers * beta[:, None, :], axis=2)
    slope = beta[:, 1] / span
    bend = beta[:, 2] / span**2 if degree == 2 else zero
    return Response(
        offset=beta[:, 0] - slope * centre + bend * centre**2,
        gain=slope - 2.0 * bend * centre,
        bend=bend,
        gain_se=np.sqrt(covariance[:, 1, 1]) / span,
        residual=_residual(known - fitted, known) if s > degree + 1 else zero,
        level_se=np.sqrt(covariance[:, 0, 0]),
        centre=centre,
        bend_se=np.sqrt(covariance[:, 2, 2]) / span**2 if degree == 2 else zero,
    )


def with_and_without_doubt(
    kind: Kind, shown: Floats, noise: Floats, known: Floats, known_se: Floats
) -> tuple[Response, Response] | None:
    """The response through standards, and what the noise of their visits alone leaves of it.

    Parameters
    ----------
    kind : str
        As in :func:`response_of`.
    shown, noise : ndarray, shape (n, s)
        What each standard would have shown at each moment, and its standard error [shown].
    known, known_se : ndarray, shape (s,)
        The gases, and their standard uncertainty [nmol mol⁻¹].

    Returns
    -------
    tuple of Response or None
        With the doubt about the gases in its weights and errors, and without. The noise of
        visits differs from moment to moment and is noise of the points; the doubt about a
        gas is the same for all, and is one about the slope. None where the standards show
        nothing that a response could go through, as when all are shown alike.
    """
    if not ((noise > 0) & np.isfinite(noise) & np.isfinite(shown)).all():
        return None
    try:
        with np.errstate(all="ignore"):
            # Errors of visits count in mole fractions, which a first response tells.
            first = response_of(kind, shown, known, noise)
            error = noise * np.abs(first.gain[:, None] + 2.0 * first.bend[:, None] * shown)
            doubted = response_of(kind, shown, known, np.hypot(error, known_se))
            bare = response_of(kind, shown, known, error)
    except (ValueError, np.linalg.LinAlgError):
        return None
    level = doubted.gain + 2.0 * doubted.bend * doubted.centre
    sound = np.isfinite(level) & (level > 0) & np.isfinite(doubted.gain_se + doubted.offset)
    return (doubted, bare) if sound.all() and np.isfinite(bare.gain_se).all() else None


def _residual(distance: Floats, known: Floats) -> Floats:
    """Largest of each row's distances over the span of the standards."""
    if len(known) == 1:
        return np.zeros(len(distance))
    return np.asarray(np.max(np.abs(distance), axis=1) / max(float(np.ptp(known)), 1e-12))


def in_opposite_order(shown: Floats, known: Floats) -> bool:
    """Whether the analyzer shows less for more, as when two standards are exchanged.

    Parameters
    ----------
    shown : ndarray, shape (n, s)
        What each standard would have shown at each moment [shown].
    known : ndarray, shape (s,)
        The gases [nmol mol⁻¹].

    Returns
    -------
    bool
        What is shown falls along the gases, by least squares.
    """
    means = np.mean(shown, axis=0)
    off = known - np.mean(known)
    return bool(np.sum(off * means) < 0.0)


def between(
    at: Floats,
    when: Floats,
    value: Floats,
    error: Floats,
    among: tuple[Ints, Ints] | None = None,
) -> tuple[Floats, Floats]:
    """What a standard would have shown at some moments.

    Parameters
    ----------
    at : ndarray, shape (n,)
        Moments [s].
    when, value, error : ndarray, shape (v,)
        Its visits in order of time [s], what they showed, and the standard errors.
    among : tuple of ndarray of int, shape (n,), optional
        Of each moment the first visit that counts and the one after the last; all by default.

    Returns
    -------
    tuple of ndarray, shape (n,)
        Linear between the visits before and after, which takes out a steady drift; the
        nearest visit's beyond the first and the last. With its standard error.
    """
    if len(when) == 1:
        return np.full(len(at), value[0]), np.full(len(at), error[0])
    first, stop = among or (0, len(when))
    alone = np.equal(stop - first, 1)
    after = np.clip(np.searchsorted(when, at), first + 1, np.maximum(first + 1, stop - 1))
    before = np.where(alone, first, after - 1)
    after = np.where(alone, first, after)
    apart = np.where(alone, 1.0, when[after] - when[before])
    share = np.clip((at - when[before]) / apart, 0.0, 1.0)
    found = (1.0 - share) * value[before] + share * value[after]
    doubt = np.hypot((1.0 - share) * error[before], share * error[after])
    return np.where(alone, value[before], found), np.where(alone, error[before], doubt)
