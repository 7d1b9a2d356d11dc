"""Closures that were due and did not happen."""

import itertools
from collections.abc import Iterator, Sequence

from stream.science.closures.lid import CLOSED, MOVING, Runs, state_at


def due_times(
    closed_us: Sequence[int], start_us: int, until_us: int, interval_us: int
) -> Iterator[int]:
    """Moments at which a closure was due and none came [µs].

    Parameters
    ----------
    closed_us : sequence of int
        When the lid closed, in order [µs].
    start_us : int
        From where closures are expected: the lid's first record [µs].
    until_us : int
        Up to where records reach [µs].
    interval_us : int
        A day over the number of closures a day [µs].

    Yields
    ------
    int
        Each whole interval after a closure (or the start) that is more than half an
        interval before the next closure (or the end). No schedule need be known.
    """
    marks = [start_us, *closed_us, until_us]
    for before, after in itertools.pairwise(marks):
        missed = int((2 * (after - before) - interval_us) // (2 * interval_us))
        for k in range(1, missed + 1):
            yield before + k * interval_us


def gap_cause(runs: Runs, due_us: int, interval_us: int, hold_us: int, moving_limit_us: int) -> str:
    """The flag that says why no closure came.

    Parameters
    ----------
    runs : Runs
        Of the lid's state.
    due_us, interval_us : int
        When it was due, and the time between closures [µs].
    hold_us, moving_limit_us : int
        As in the station file's ``[closure]`` [µs].
    """
    quarter = interval_us // 4
    near = (runs.last >= due_us - quarter) & (runs.first <= due_us + quarter)
    stuck = near & (runs.state == MOVING) & (runs.last - runs.first > moving_limit_us)
    state = state_at(runs, due_us, hold_us)
    # Where records ended as it was due, nobody knows whether it moved.
    if state_at(runs, due_us + min(quarter, hold_us), hold_us) is None:
        state = None
    if state == CLOSED:
        return "lid_stuck_closed"
    if state == MOVING or stuck.any():
        return "lid_stuck_moving"
    return "no_lid_records" if state is None else "lid_stuck_open"
