"""What the rest of the software knows of an accumulation model."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stream.science.models.result import Fit

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Model:
    """One accumulation model.

    Attributes
    ----------
    name : str
        As the station file writes it.
    label : str
        As a methods section writes it, with its article: ``a parabola``.
    sentence : str
        What it supposes of the soil.
    fit : callable
        ``fit(segments, *, correlated=True) -> Fit``.
    curve : callable
        ``curve(start, slope, curvature, t)``: mole fraction [nmol mol⁻¹] at times t ≥ 0 [s]
        after closing, shape (n,); the numbers as in :class:`Fit`.
    rate : callable, optional
        ``rate(fit, end_s)``: the rate constant k [s⁻¹] of the saturating curve that bends
        as much by ``end_s`` [s], shape (m,). None for a straight line.
    turns : bool
        Whether the curve turns back within reach, as a headspace never does.
    behind : tuple of (str, float), optional
        A model that must do worse by more than so much, in the criterion, for this one to
        be taken before it.
    holds_storage : bool
        Whether the gas that the soil stores while the lid is closed is in the model, so
        that no correction is due.
    """

    name: str
    label: str
    sentence: str
    fit: Callable[..., Fit]
    curve: Callable[[float, float, float, Floats], Floats]
    rate: Callable[[Fit, Floats], Floats] | None = None
    turns: bool = False
    behind: tuple[str, float] | None = None
    holds_storage: bool = False

    @property
    def straight(self) -> bool:
        """Whether it has no curvature."""
        return self.rate is None


def line(start: float, slope: float, _curvature: float, t: Floats) -> Floats:
    """The curve of a straight model."""
    return np.asarray(start + slope * t)
