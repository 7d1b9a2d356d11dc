"""The choice between accumulation models, with its reason: noise, criterion, and what holds.

A curve is taken only where the data can tell it from the line: its criterion beats
the line's by a margin, it bends the way a filling headspace bends, and it is no
sharper than the closure and the noise can resolve. Otherwise the line stands, so
that fluxes near zero do not explode.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stream.science.models import MODELS
from stream.science.models.fit import Fit, FitStatus, Reason

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


MARGIN: Final = 1.0
"""How far a curve's criterion must lie below the line's. Measured on simulated
closures: at 0 one straight closure in twelve is bent, at 1 one in twenty, at 2 the
bias of weak fluxes grows by half."""

PRIOR: Final = 2.0
"""Twice the log prior odds of a curve in the doubt about the model: every headspace
bends a little, whether or not the points show it."""


@dataclass(frozen=True, slots=True)
class Choice:
    """The chosen model of m closures; arrays of shape (m,) unless said otherwise.

    Attributes
    ----------
    models : tuple of str
        The candidates, in the order of the columns of ``criterion``.
    chosen : ndarray of int
        Column of the chosen model, −1 where none could be fitted.
    reason : ndarray of int
        :class:`Reason`.
    slope : ndarray
        Initial slope of the chosen model [nmol mol⁻¹ s⁻¹].
    slope_se : ndarray
        Its standard error, with the doubt about the model in it (Eq. 17).
    criterion : ndarray, shape (m, models)
        AICc, or AIC where variances are known; infinite where undefined.
    noise_se : ndarray
        Standard error of the slope of a line under the noise alone, whichever model
        leaves the smallest residuals; for the detection limit.
    dof : ndarray
        Degrees of freedom behind ``noise_se``, infinite where variances are known.
    noise_variance : ndarray
        Residual variance of the model that leaves least [nmol² mol⁻²]; where variances
        are known, its χ² over the degrees of freedom.
    noise_ratio : ndarray
        Long-run over plain variance of the same residuals.
    """

    models: tuple[str, ...]
    chosen: NDArray[np.int64]
    reason: NDArray[np.int64]
    slope: Floats
    slope_se: Floats
    criterion: Floats
    noise_se: Floats
    dof: Floats
    noise_variance: Floats
    noise_ratio: Floats


def curvature_cap(
    slope: Floats, detection_slope: Floats, span_s: Floats, first_s: Floats
) -> Floats:
    """Sharpest curve that a closure can resolve (Eq. 16 of METHODS.md).

    Parameters
    ----------
    slope : ndarray
        Mean slope over the closure, that of the line [nmol mol⁻¹ s⁻¹].
    detection_slope : ndarray
        Smallest slope that a line over the whole closure would show [nmol mol⁻¹ s⁻¹].
    span_s : ndarray
        Length of the window used [s].
    first_s : ndarray
        Time of the first point since the lid closed [s].

    Returns
    -------
    ndarray
        Largest rate constant k [s⁻¹].

    Notes
    -----
    Our own derivation. A curve shows by its first 1/k. A line over a time τ has a
    detection limit that grows as τ^(−3/2), so over 1/k it is D (kT)^(3/2). The mean
    slope of the whole closure must reach that, whence kT ≤ (|s|/D)^(2/3): the mean
    slope, since the initial slope of a spurious curve would vouch for itself. And the
    first e-folding must not be over before the first point: k t₁ ≤ 1.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        by_noise = (np.abs(slope) / detection_slope) ** (2.0 / 3.0) / span_s
        by_time = 1.0 / first_s
    return np.minimum(by_noise, by_time)


def choose(
    fits: Mapping[str, Fit],
    span_s: Floats,
    first_s: Floats,
    *,
    known_variance: bool,
    rule: str = "auto",
) -> Choice:
    """Choose a model for each closure.

    Parameters
    ----------
    fits : mapping of str to Fit
        The candidates, each fitted to the same m segments. Curves are compared with
        ``linear``, which stands when they are not resolved.
    span_s, first_s : ndarray, shape (m,)
        Length of the window, and time of its first point since the lid closed [s].
    known_variance : bool
        Whether the variance of each point is known (visits).
    rule : str
        ``auto``, or the name of the model to take wherever it could be fitted.

    Returns
    -------
    Choice
    """
    models = tuple(fits)
    noise = read_noise(fits, known_variance=known_variance)
    criterion = criteria(fits, noise, known_variance=known_variance)
    verdict = _judge(fits, criterion, noise, span_s, first_s)
    chosen, reason = _pick(models, criterion, verdict)
    usable = np.column_stack([f.ok for f in fits.values()])
    rows = np.arange(len(span_s))
    if straight_of(models) is None:
        # With no line to fall back on, the first that could be fitted stands.
        chosen = np.where(reason == Reason.ONLY_CANDIDATE, np.argmax(usable, axis=1), chosen)
    if rule != "auto":
        chosen = np.where(fits[rule].ok, models.index(rule), chosen)
        reason = np.where(fits[rule].ok, int(Reason.SET_BY_STATION_FILE), reason)

    slopes = np.column_stack([f.slope for f in fits.values()])
    errors = np.column_stack([f.slope_se for f in fits.values()])
    none = ~usable[rows, chosen]
    slope = np.where(none, np.nan, slopes[rows, chosen])
    slope_se = errors[rows, chosen]
    if rule == "auto":
        curved = np.array([not MODELS[m].straight for m in models])
        slope_se = unconditional_se(slopes, errors, criterion, slope, slope_se, usable, curved)
    return Choice(
        models,
        np.where(none, -1, chosen),
        np.where(none, int(Reason.NO_FIT), reason),
        slope,
        np.where(none, np.nan, slope_se),
        criterion,
        noise.line_se,
        noise.dof,
        noise.variance,
        noise.ratio,
    )


@dataclass(frozen=True, slots=True)
class _Verdict:
    """Which candidates may stand, shape (m, models), and what stopped the curves, (m,)."""

    admitted: NDArray[np.bool_]
    sharp: NDArray[np.bool_]
    wrong_way: NDArray[np.bool_]


def _judge(
    fits: Mapping[str, Fit], criterion: Floats, noise: Noise, span_s: Floats, first_s: Floats
) -> _Verdict:
    """Hold each curve to the line, to the way a headspace bends, and to the cap."""
    m = len(span_s)
    models = list(fits)
    name = straight_of(models)
    line = criterion[:, models.index(name)] if name else np.full(m, np.inf)
    line_slope = fits[name or models[0]].slope
    detection = special.stdtrit(np.maximum(noise.dof, 1.0), 0.975) * noise.line_se
    admitted = np.zeros((m, len(models)), dtype=bool)
    sharp = np.zeros(m, dtype=bool)
    wrong_way = np.zeros(m, dtype=bool)
    for j, fit in enumerate(fits.values()):
        model = MODELS[fit.model]
        if model.rate is None:
            admitted[:, j] = fit.ok
            continue
        rate = model.rate(fit, first_s + span_s)
        with np.errstate(invalid="ignore"):
            bends = rate > 0
            turns = np.full(m, model.turns) & (rate * (first_s + span_s) > 1.0)
            gentle = rate <= curvature_cap(line_slope, detection, span_s, first_s)
            wins = criterion[:, j] < line - MARGIN
        resolved = stands(fit) & wins
        admitted[:, j] = fit.ok & resolved & bends & gentle & ~turns
        wrong_way |= resolved & ~bends
        sharp |= resolved & bends & (turns | ~gentle)
    return _Verdict(admitted, sharp, wrong_way)


def _pick(
    models: tuple[str, ...], criterion: Floats, verdict: _Verdict
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Column of the best admitted candidate, and the reason; the line where no curve may."""
    shown = np.where(verdict.admitted, criterion, np.inf)
    for j, name in enumerate(models):
        behind = MODELS[name].behind
        if behind is not None and behind[0] in models:
            shown[:, j] += behind[1]
    is_line = np.array([MODELS[m].straight for m in models])
    fallback = straight_of(models)
    best_curve = np.argmin(np.where(is_line, np.inf, shown), axis=1)
    curved = np.isfinite(shown[np.arange(len(shown)), best_curve]) & ~is_line[best_curve]
    if len(models) == 1 or not is_line.any():
        reason = np.where(
            curved & (len(models) > 1), int(Reason.CURVE_RESOLVED), int(Reason.ONLY_CANDIDATE)
        )
        return best_curve, reason
    undefined = ~np.isfinite(criterion[:, ~is_line]).any(axis=1)
    reason = np.select(
        [curved, undefined, verdict.sharp, verdict.wrong_way],
        [
            int(Reason.CURVE_RESOLVED),
            int(Reason.FEW_POINTS),
            int(Reason.CURVE_TOO_SHARP),
            int(Reason.BENDS_THE_WRONG_WAY),
        ],
        int(Reason.LINE_SUFFICES),
    )
    return np.where(curved, best_curve, models.index(str(fallback))), reason


def straight_of(models: Sequence[str]) -> str | None:
    """The line that curves are compared with: least squares before the robust one."""
    return next((m for m in sorted(models) if MODELS[m].straight), None)


def unconditional_se(
    slopes: Floats,
    errors: Floats,
    criterion: Floats,
    slope: Floats,
    slope_se: Floats,
    usable: NDArray[np.bool_],
    curved: NDArray[np.bool_],
) -> Floats:
    """Standard error that allows for not knowing which model is true.

    Notes
    -----
    √Σ wᵢ (seᵢ² + (sᵢ − s)²) over the candidates with Akaike weights wᵢ, about the
    reported slope s (Eq. 17 of METHODS.md), after [BurnhamAnderson2004]_, with
    :data:`PRIOR` in favour of a curve; never below the chosen model's own.
    """
    criterion = criterion - np.where(curved, PRIOR, 0.0)
    defined = np.isfinite(criterion) & usable & np.isfinite(errors)
    least = np.min(np.where(defined, criterion, np.inf), axis=1, keepdims=True)
    with np.errstate(invalid="ignore", over="ignore"):
        weight = np.where(defined, np.exp(-0.5 * (criterion - least)), 0.0)
        weight = weight / weight.sum(axis=1, keepdims=True)
        apart = np.where(defined, errors**2 + (slopes - slope[:, None]) ** 2, 0.0)
        mixed = np.sqrt(np.sum(weight * apart, axis=1))
    return np.asarray(np.fmax(mixed, slope_se))
