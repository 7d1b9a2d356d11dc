"""Points of closures become fits: every candidate, the choice, and the detection limit."""

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from stream.compute.closures.headspace import (
    HeadspaceConditions,
    headspace_of,
    moles_and_error,
    time_constants,
)
from stream.compute.closures.points import Points, counts_areas, precision_nmol
from stream.compute.closures.rows import Event, Outcome
from stream.science.flux.flux import Headspace, detection_limit, line_slope_se
from stream.science.flux.soil_storage import bias_factors
from stream.science.models import MODELS, Fit
from stream.science.models.choice import Choice, choose
from stream.science.models.fit import Segments, lay_end_to_end
from stream.station import Analyzer, Station

POOR_FIT = 5.0
"""Residual standard deviation over the stated precision, from which a fit is poor."""
POOR_SHARE = 0.005
"""The same over the rise: what is less bears on no flux [common practice, no source]."""


def fit_gas(
    station: Station,
    analyzer: Analyzer,
    gas: str,
    events: Sequence[Event],
    around: Sequence[HeadspaceConditions],
    points: Sequence[Points],
) -> Iterator[tuple[list[int], Outcome]]:
    """Fit one gas of all events: those whose points have known variances, and the others.

    Yields
    ------
    tuple of (list of int, Outcome)
        Which events, and what became of them, in the same order.
    """
    precision = precision_nmol(station, analyzer, gas)
    areas = counts_areas(station, analyzer, gas)
    for known in (False, True):
        which = [i for i, p in enumerate(points) if p.known_variance is known]
        if not which:
            continue
        chosen_points = [points[i] for i in which]
        chambers, near = [events[i].chamber for i in which], [around[i] for i in which]
        air = headspace_of(station, chambers, near, np.array([p.water for p in chosen_points]))
        tau = None
        if station.models.chamber_bias == "soil_storage":
            tau = time_constants(gas, chambers, near)
        yield which, _fit(station, chosen_points, known, precision, air, tau, areas=areas)


def fit_and_choose(
    points: Sequence[Points], candidates: Sequence[str], rule: str, *, known: bool
) -> tuple[Segments, Mapping[str, Fit], Choice]:
    """Fit every candidate to m closures, and choose.

    Parameters
    ----------
    points : sequence of Points
    candidates : sequence of str
        Names of models.
    rule : str
        ``auto``, or the model to take.
    known : bool
        Whether the variances of the points are known.
    """
    segments = lay_end_to_end(
        [p.t for p in points],
        [p.y for p in points],
        [p.w for p in points],
        known_variance=known,
    )
    fits = {name: MODELS[name].fit(segments) for name in candidates}
    first = np.array([p.t[0] if len(p.t) else np.nan for p in points])
    span = np.array([p.t[-1] if len(p.t) else np.nan for p in points]) - first
    return segments, fits, choose(fits, span, first, known_variance=known, rule=rule)


def _fit(
    station: Station,
    points: Sequence[Points],
    known: bool,
    precision: float | None,
    air: Headspace,
    tau: NDArray[np.float64] | None,
    *,
    areas: bool,
) -> Outcome:
    """Fit every candidate, choose, and put a detection limit beside each."""
    segments, candidates, choice = fit_and_choose(
        points, station.models.candidates, station.models.default, known=known
    )
    span = np.array([p.t[-1] - p.t[0] if len(p.t) else np.nan for p in points])
    moles, relative = moles_and_error(air)
    relative = np.hypot(relative, [p.gain_relative_se for p in points])
    limit = detection_limit(choice.noise_se, choice.dof, moles)
    rise = np.abs(choice.slope) * span
    if known:
        # Of visits the noise is in terms of their own errors; weights turn it into a mole fraction.
        weight = np.array([float(np.mean(p.w)) if len(p.w) else np.nan for p in points])
        scatter = np.sqrt(choice.noise_variance / weight)
        poor = choice.noise_variance > POOR_FIT**2
    elif precision is None:
        scatter, poor = np.sqrt(choice.noise_variance), np.zeros(len(points), dtype=bool)
    else:
        spacing = np.array([p.spacing_s for p in points])
        sigma = precision * np.sqrt(np.fmax(1.0, 1.0 / spacing))
        if areas:
            sigma = sigma * np.abs([p.gain for p in points])
        least = line_slope_se(sigma, span, segments.points) * np.sqrt(choice.noise_ratio)
        limit = np.fmax(limit, detection_limit(least, np.inf, moles))
        scatter = np.sqrt(choice.noise_variance)
        poor = scatter > POOR_FIT * sigma
    poor &= scatter > POOR_SHARE * rise
    bias = None if tau is None else bias_factors(segments, tau, choice.chosen, choice.models)
    return Outcome(dict(candidates), choice, moles, relative, limit, poor, bias)
