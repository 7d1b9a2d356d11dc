"""Running a model's kernel over a ragged batch."""

from collections.abc import Callable

import numpy as np

from stream.science.closures.segments import Segments
from stream.science.kernel import over_segments
from stream.science.models.result import COLUMNS, Fit, as_fit


def fit_batch(
    model: str,
    parameters: int,
    kernel: Callable[..., None],
    segments: Segments,
    *,
    correlated: bool,
) -> Fit:
    """Fit every segment with a compiled kernel, split among threads.

    Parameters
    ----------
    model : str
        Name of the model.
    parameters : int
        Number of its coefficients.
    kernel : callable
        ``kernel(t, y, w, offsets, first, last, known_variance, correlated, out)``:
        fills the rows ``first`` to ``last`` of ``out``, shape (m, COLUMNS),
        which are NaN before.
    segments : Segments
        Points of m closures.
    correlated : bool
        Whether standard errors allow for autocorrelated noise.

    Returns
    -------
    Fit
        Arrays of shape (m,).
    """
    out = np.full((len(segments), COLUMNS), np.nan)
    g = segments
    over_segments(
        lambda i, j: kernel(g.t, g.y, g.w, g.offsets, i, j, g.known_variance, correlated, out),
        len(segments),
    )
    return as_fit(model, parameters, segments.points, out)
