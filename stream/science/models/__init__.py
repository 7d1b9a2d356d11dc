"""The accumulation models, one file each.

To add one: a file with ``fit(segments, *, correlated) -> Fit``,
a line here, a section in METHODS.md, and its checks under ``tests/science``.
"""

from collections.abc import Callable
from typing import Final

from stream.science.models import diffusive, linear, quadratic, saturating, theil_sen
from stream.science.models.result import STATUS_WORDS, Fit, FitStatus
from stream.science.segments import Segments

FITS: Final[dict[str, Callable[..., Fit]]] = {
    "linear": linear.fit,
    "quadratic": quadratic.fit,
    "saturating": saturating.fit,
    "diffusive": diffusive.fit,
    "theil_sen": theil_sen.fit,
}
"""Name of a model, as the station file writes it → its fit."""

STRAIGHT: Final = frozenset({"linear", "theil_sen"})
"""Models without curvature."""


def fit_model(name: str, segments: Segments, *, correlated: bool = True) -> Fit:
    """Fit one model by name; see :class:`Fit`."""
    return FITS[name](segments, correlated=correlated)


__all__ = ["FITS", "STATUS_WORDS", "STRAIGHT", "Fit", "FitStatus", "fit_model"]
