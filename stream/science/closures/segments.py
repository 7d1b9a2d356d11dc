"""Ragged segments: the points of many closures laid end to end in flat arrays."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Segments:
    """Points of m closures, N in all.

    Attributes
    ----------
    t : ndarray, shape (N,)
        Time since the lid closed, at the inlet [s], not decreasing in a segment.
    y : ndarray, shape (N,)
        Dry mole fraction [nmol mol⁻¹].
    w : ndarray, shape (N,)
        Weights: 1/variance where the variance of a point is known (visits),
        relative weights otherwise.
    offsets : ndarray, shape (m + 1,)
        Segment i holds the points ``offsets[i]:offsets[i + 1]``.
    known_variance : bool
        Whether ``w`` is 1/variance in absolute terms.
    """

    t: Floats
    y: Floats
    w: Floats
    offsets: Ints
    known_variance: bool = False

    def __len__(self) -> int:
        return len(self.offsets) - 1

    @property
    def points(self) -> Ints:
        """Number of points in each segment, shape (m,)."""
        return np.diff(self.offsets)

    def slice(self, i: int) -> slice:
        """Where segment ``i`` lies in the flat arrays."""
        return slice(int(self.offsets[i]), int(self.offsets[i + 1]))


def lay_end_to_end(
    times: Sequence[Floats],
    values: Sequence[Floats],
    weights: Sequence[Floats] | None = None,
    *,
    known_variance: bool = False,
) -> Segments:
    """Segments from one array of times and one of values for each closure.

    Raises
    ------
    ValueError
        Times, values and weights do not pair up.
    """
    counts = [len(t) for t in times]
    if counts != [len(v) for v in values]:
        raise ValueError("each closure needs as many values as times")
    offsets = np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
    empty = np.empty(0)
    t = np.ascontiguousarray(np.concatenate([empty, *times]), dtype=np.float64)
    y = np.ascontiguousarray(np.concatenate([empty, *values]), dtype=np.float64)
    if weights is None:
        w = np.ones_like(t)
    else:
        if counts != [len(v) for v in weights]:
            raise ValueError("each closure needs as many weights as times")
        w = np.ascontiguousarray(np.concatenate([empty, *weights]), dtype=np.float64)
    return Segments(t, y, w, offsets, known_variance)
