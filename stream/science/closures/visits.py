"""Visits of a port selector: settled tails, and the value of each."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stream.science.closures.lid import Runs
from stream.science.closures.window import Window
from stream.science.models import MODELS
from stream.science.models.fit import Segments, lay_end_to_end

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PortVisit:
    """The selector stood on one port.

    Attributes
    ----------
    port : int
        The port.
    started_us, ended_us : int
        From its first record to the first of the next port, or to its last record
        where a silence follows [µs].
    finished : bool
        Whether a record of another port, or a silence, ended it.
    """

    port: int
    started_us: int
    ended_us: int
    finished: bool

    def settled(self, flush_us: int, mixing_us: int) -> Window:
        """What is left once the line has been flushed, in time at the inlet.

        With a continuous analyzer it ends a lag early: what the cell holds when the
        selector moves on cannot be tainted by the next port, however the lag is made up
        of delay and mixing.
        """
        return Window(self.started_us + flush_us, self.ended_us - mixing_us)


def port_visits(runs: Runs, hold_us: int, until_us: int) -> Iterator[PortVisit]:
    """Visits in order of time from the runs of the port channel."""
    n = len(runs)
    for i in range(n):
        follows = i + 1 < n and runs.first[i + 1] - runs.last[i] <= hold_us
        ended = runs.first[i + 1] if follows else runs.last[i] + 1
        finished = follows or i + 1 < n or until_us - runs.last[i] > hold_us
        yield PortVisit(int(runs.state[i]), int(runs.first[i]), int(ended), bool(finished))


@dataclass(frozen=True, slots=True)
class VisitValues:
    """Value of each of v settled tails; arrays of shape (v,).

    Attributes
    ----------
    mid_us : ndarray of int64
        Mean time of the samples [µs].
    value, value_se : ndarray
        Mean and its standard error, in the unit of the samples; NaN without samples,
        NaN error where neither samples nor precision tell it.
    points : ndarray of int64
        Samples in the tail.
    """

    mid_us: NDArray[np.int64]
    value: Floats
    value_se: Floats
    points: NDArray[np.int64]


def visit_values(
    times: list[NDArray[np.int64]], values: list[Floats], precision: float | None
) -> VisitValues:
    """Mean of each settled tail.

    Parameters
    ----------
    times : list of ndarray of int64
        Times of the samples of each tail [µs].
    values : list of ndarray
        Their values.
    precision : float or None
        Standard deviation of one sample, in the same unit.

    Returns
    -------
    VisitValues

    Notes
    -----
    The scatter is taken about the tail's own line, since gas goes on rising during a
    visit, and allows for autocorrelation; it is never less than ``precision``
    (Eq. 6 of METHODS.md).
    """
    origin = [int(t[0]) if len(t) else 0 for t in times]
    seconds = [(t - o) / 1e6 for t, o in zip(times, origin, strict=True)]
    tails: Segments = lay_end_to_end(seconds, values)
    fit = MODELS["linear"].fit(tails)
    points = tails.points
    mean = np.full(len(times), np.nan)
    mid = np.zeros(len(times), dtype=np.int64)
    for i in np.flatnonzero(points):
        part = tails.slice(int(i))
        # As np.mean, which takes three times as long over a dozen values.
        mean[i] = np.add.reduce(tails.y[part]) / points[i]
        mid[i] = origin[i] + round(float(np.add.reduce(tails.t[part]) / points[i]) * 1e6)
    own = np.where(fit.ok & (points > 3), fit.long_run, np.nan)
    floor = np.nan if precision is None else precision**2
    variance = np.fmax(own, floor)
    with np.errstate(divide="ignore", invalid="ignore"):
        error = np.sqrt(variance / points)
    error = np.where((points > 0) & (error > 0), error, np.nan)
    return VisitValues(mid, mean, error, points)
