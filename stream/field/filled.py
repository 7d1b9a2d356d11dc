"""Gaps of a season filled, and how far off the filling is, by hiding what was measured."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.field.regression import by_regression
from stream.field.slots import Slots
from stream.science.field.filling import (
    artificial_gaps,
    between_neighbours,
    by_looking_up,
    gaps_in,
)

Floats = NDArray[np.float64]
Method = Callable[[Sequence[Slots], list[int], np.random.Generator], list[Floats]]

_ROUNDS: Final = 5
_HIDDEN: Final = 0.3
SEED: Final = 20260105
"""The same records give the same totals."""


def _lines(slots: Sequence[Slots], lengths: list[int], rng: np.random.Generator) -> list[Floats]:
    return [between_neighbours(s.flux) for s in slots]


def _looked_up(
    slots: Sequence[Slots], lengths: list[int], rng: np.random.Generator
) -> list[Floats]:
    return [by_looking_up(s.flux, s.state, 24.0 / s.hours) for s in slots]


METHODS: Final[Mapping[str, Method]] = {
    "linear": _lines,
    "lookup": _looked_up,
    "regression": by_regression,
}


@dataclass(frozen=True, slots=True)
class GapError:
    """How far off one filled gap was.

    Attributes
    ----------
    event : int
        The hidden stretch, the same in all chambers.
    chamber : int
    slots : int
        Its length.
    fresh : int
        Its :func:`freshness`.
    mean_error : float
        Filled less measured, over its slots [nmol m⁻² s⁻¹].
    level : float
        Size of what was filled in, and a tenth of the chamber's usual at least
        [nmol m⁻² s⁻¹].
    """

    event: int
    chamber: int
    slots: int
    fresh: int
    mean_error: float
    level: float


@dataclass(frozen=True, slots=True)
class FillScore:
    """One method over all hidden gaps of one gas [nmol m⁻² s⁻¹]."""

    method: str
    gaps: int
    bias: float
    rmse: float
    missed: tuple[GapError, ...]


@dataclass(frozen=True, slots=True)
class Filled:
    """Chambers of one gas, filled.

    Attributes
    ----------
    slots : tuple of Slots
    flux : tuple of ndarray
        Of each chamber, without gaps; NaN throughout where nothing was measured.
    method : str
        Which way was taken.
    scores : tuple of FillScore
        Of every way that was tried.
    """

    slots: tuple[Slots, ...]
    flux: tuple[Floats, ...]
    method: str
    scores: tuple[FillScore, ...]

    @property
    def missed(self) -> tuple[GapError, ...]:
        """The hidden gaps of the way that was taken."""
        return next((s.missed for s in self.scores if s.method == self.method), ())


def freshness(s: Slots, first: int, stop: int) -> int:
    """2 for a stretch with hours that are less than three days after rain, irrigation or
    fertilizer, 1 within a week, 0 otherwise.
    """
    since = s.state.since_event[first:stop]
    return int((since < 7.0).any()) + int((since < 3.0).any())


def usual_of(s: Slots) -> float:
    """A chamber's usual size; NaN where nothing was measured."""
    nothing = np.isnan(s.flux).all()
    return float("nan") if nothing else float(np.nanmean(np.abs(s.flux)))


def level_of(usual: float, filled: Floats, first: int, stop: int) -> float:
    """Size of what is filled into a stretch, that errors go with; ``usual`` is the chamber's."""
    return max(abs(float(np.mean(filled[first:stop]))), 0.1 * usual)


def occurred(slots: Sequence[Slots]) -> list[int]:
    """Lengths of the gaps that occurred [slots]; a day where there was none."""
    lengths = [
        stop - first
        for s in slots
        for first, stop in gaps_in(s.flux)
        if stop - first < 0.5 * len(s.flux)
    ]
    return lengths or [24 // slots[0].hours]


def fill(slots: Sequence[Slots], wanted: str) -> Filled:
    """Fill the chambers of one gas.

    Parameters
    ----------
    slots : sequence of Slots
        Of one gas.
    wanted : str
        ``linear``, ``lookup``, ``regression``, or ``auto``: the way with the least
        root-mean-square error on hidden gaps.

    Returns
    -------
    Filled
        Every way is scored, whichever is taken.
    """
    lengths = occurred(slots)
    scores = tuple(_score(name, method, slots, lengths) for name, method in METHODS.items())
    method = wanted
    if wanted == "auto":
        known = [s for s in scores if s.gaps]
        method = min(known, key=lambda s: s.rmse).method if known else "linear"
    rng = np.random.default_rng(SEED)
    return Filled(tuple(slots), tuple(METHODS[method](slots, lengths, rng)), method, scores)


def _score(name: str, method: Method, slots: Sequence[Slots], lengths: list[int]) -> FillScore:
    """Hide stretches of the lengths that occurred, fill, and compare."""
    rng = np.random.default_rng(SEED + 1)
    missed: list[GapError] = []
    event = 0
    table = np.array([s.flux for s in slots])
    # Outages strike many chambers at once, and so does what is missed of a pulse.
    most = np.where(np.mean(~np.isnan(table), axis=0) >= 0.5, 0.0, np.nan)
    usual = [usual_of(s) for s in slots]
    for _ in range(_ROUNDS):
        gaps = artificial_gaps(most, lengths, _HIDDEN, rng)
        hidden = [_without(s, gaps) for s in slots]
        filled = method(hidden, lengths, np.random.default_rng(SEED + 2))
        for first, stop in gaps:
            event += 1
            for i, (s, made) in enumerate(zip(slots, filled, strict=True)):
                off = made[first:stop] - s.flux[first:stop]
                off = off[~np.isnan(off)]
                if len(off):
                    is_fresh = freshness(s, first, stop)
                    level = level_of(usual[i], made, first, stop)
                    error = float(np.mean(off))
                    missed.append(GapError(event, i, stop - first, is_fresh, error, level))
    errors = np.array([m.mean_error for m in missed])
    if not len(errors):
        return FillScore(name, 0, float("nan"), float("nan"), ())
    weights = np.array([m.slots for m in missed], dtype=float)
    bias = float(np.average(errors, weights=weights))
    rmse = float(np.sqrt(np.average(errors**2, weights=weights)))
    return FillScore(name, len(errors), bias, rmse, tuple(missed))


def _without(s: Slots, gaps: Sequence[tuple[int, int]]) -> Slots:
    flux = s.flux.copy()
    for first, stop in gaps:
        flux[first:stop] = np.nan
    return Slots(
        s.series, s.hours, flux, s.state, s.since_rain, s.since_fertilizer, s.own_se_h,
        s.common_se_h,
    )  # fmt: skip
