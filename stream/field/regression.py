"""Filling by regression: what hidden stretches were, from their neighbours and the soil."""

from collections.abc import Sequence
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingRegressor
from threadpoolctl import ThreadpoolController

from stream.field.slots import Slots
from stream.science.field.filling import artificial_gaps, between_neighbours, gaps_in

Floats = NDArray[np.float64]

_PASSES: Final = 6
_SHARE: Final = 0.2


def by_regression(
    slots: Sequence[Slots], lengths: list[int], rng: np.random.Generator
) -> list[Floats]:
    """Fill the series of all chambers of one gas together.

    Parameters
    ----------
    slots : sequence of Slots
        Chambers of one gas; where they are NaN they are filled.
    lengths : list of int
        Lengths of the gaps that occurred [slots].
    rng : Generator
        Where the hidden stretches lie that the regression learns from.

    Returns
    -------
    list of ndarray
        Filled series. Boosted trees learn, on stretches that are hidden for the purpose,
        how far the flux lies from the line between neighbours, over the chamber's usual
        size, from the line itself, the distance to the neighbours, hour, soil temperature,
        pore space, days since rain and since fertilizer, and the chamber. Where there is
        too little to learn from, the line between neighbours.
    """
    scale = [_scale(s.flux) for s in slots]
    rows: list[Floats] = []
    targets: list[Floats] = []
    for _ in range(_PASSES):
        for i, s in enumerate(slots):
            hidden = s.flux.copy()
            for first, stop in artificial_gaps(s.flux, lengths, _SHARE, rng):
                hidden[first:stop] = np.nan
            learn = np.isnan(hidden) & ~np.isnan(s.flux)
            if learn.any():
                features, line = _features(s, hidden, i, scale[i])
                rows.append(features[learn])
                targets.append(((s.flux - line) / scale[i])[learn])
    lines = [between_neighbours(s.flux) for s in slots]
    if sum(map(len, targets)) < 200:
        return lines
    model = HistGradientBoostingRegressor(
        max_iter=100, learning_rate=0.09, min_samples_leaf=15, l2_regularization=1.0,
        early_stopping=False, random_state=0,
    )  # fmt: skip
    table = np.concatenate(rows)
    # A station without soil sensors has nothing to learn from theirs.
    told = ~np.isnan(table).all(axis=0)
    # Beside other work, threads of so small a table wait for one another at full speed, longer
    # than they work; alone they gain a tenth. The trees are the same either way.
    with _threads().limit(limits=1):
        model.fit(table[:, told], np.concatenate(targets))
    filled = []
    for i, (s, line) in enumerate(zip(slots, lines, strict=True)):
        missing = np.isnan(s.flux)
        out = line.copy()
        if missing.any() and not missing.all():
            features, _ = _features(s, s.flux, i, scale[i])
            with _threads().limit(limits=1):
                more = model.predict(features[missing][:, told])
            out[missing] = line[missing] + scale[i] * more
        filled.append(out)
    return filled


@cache
def _threads() -> ThreadpoolController:
    """Those of the trees, found once: that goes through every library that is loaded."""
    return ThreadpoolController().select(user_api="openmp")


def _scale(flux: Floats) -> float:
    """A chamber's usual size; 1 where it has none."""
    known = np.abs(flux[~np.isnan(flux)])
    size = float(np.mean(known)) if len(known) else 1.0
    return size or 1.0


def _features(s: Slots, hidden: Floats, chamber: int, scale: float) -> tuple[Floats, Floats]:
    """What is known of every slot while some are hidden, and the line between neighbours."""
    n = len(hidden)
    line = between_neighbours(hidden)
    back, ahead = np.zeros(n), np.zeros(n)
    for first, stop in gaps_in(hidden):
        inside = np.arange(first, stop)
        back[inside] = inside - first + 1
        ahead[inside] = stop - inside
    angle = 2 * np.pi * s.state.hour / 24.0
    step = np.zeros(n)
    known = np.flatnonzero(~np.isnan(hidden))
    if len(known):
        after = known[np.minimum(np.searchsorted(known, np.arange(n)), len(known) - 1)]
        before = known[np.maximum(np.searchsorted(known, np.arange(n), side="right") - 1, 0)]
        step = (hidden[after] - hidden[before]) / scale
    columns = (
        line / scale, step, back, ahead, np.sin(angle), np.cos(angle), s.state.temperature,
        s.state.wfps, np.fmin(s.since_rain, 30.0), np.fmin(s.since_fertilizer, 90.0),
        np.full(n, float(chamber)),
    )  # fmt: skip
    return np.column_stack(columns), line
