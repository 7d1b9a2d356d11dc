"""The closures of a lid, from the states that its records tell, and those that were due."""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import kernel

Micros = NDArray[np.int64]

OPEN: Final = 0
CLOSED: Final = 1
MOVING: Final = 2


@dataclass(frozen=True, slots=True)
class Runs:
    """Stretches of one state without a silence longer than the hold; each shape (n,).

    Attributes
    ----------
    state : ndarray of int
        ``OPEN``, ``CLOSED``, ``MOVING``; of a port selector, the port.
    first, last : ndarray of int64
        First and last record of the run [µs].
    """

    state: NDArray[np.int64]
    first: Micros
    last: Micros

    def __len__(self) -> int:
        return len(self.state)


NO_RUNS: Final = Runs(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, np.int64))


def lid_state(values: NDArray[np.float64], closed: float, opened: float) -> NDArray[np.int8]:
    """State of each record: anything that is neither closed nor open is moving."""
    state = np.full(len(values), MOVING, dtype=np.int8)
    state[values == opened] = OPEN
    state[values == closed] = CLOSED
    return state


@kernel
def _edges(times: Micros, state: Any, hold_us: int, starts: Micros) -> int:
    count = 0
    for i in range(times.shape[0]):
        if i == 0 or state[i] != state[i - 1] or times[i] - times[i - 1] > hold_us:
            starts[count] = i
            count += 1
    return count


def runs_of(times: Micros, state: NDArray[Any], hold_us: int) -> Runs:
    """Runs of equal state.

    Parameters
    ----------
    times : ndarray of int64, shape (n,)
        Increasing [µs].
    state : ndarray of int, shape (n,)
        State at each record.
    hold_us : int
        A silence longer than this ends a run [µs].
    """
    if len(times) == 0:
        return NO_RUNS
    starts = np.empty(len(times), np.int64)
    starts = starts[: _edges(times, state, hold_us, starts)].copy()
    ends = np.concatenate((starts[1:] - 1, [len(times) - 1]))
    return Runs(state[starts].astype(np.int64), times[starts], times[ends])


def join_runs(a: Runs, b: Runs, hold_us: int) -> Runs:
    """Runs of two stretches of records, ``b`` later than ``a``, as if read in one."""
    if len(a) == 0 or len(b) == 0:
        return b if len(a) == 0 else a
    meets = a.state[-1] == b.state[0] and b.first[0] - a.last[-1] <= hold_us
    skip = 1 if meets else 0
    last = np.concatenate((a.last, b.last[skip:]))
    if meets:
        last[len(a) - 1] = b.last[0]
    return Runs(
        np.concatenate((a.state, b.state[skip:])),
        np.concatenate((a.first, b.first[skip:])),
        last,
    )


@dataclass(frozen=True, slots=True)
class LidClosure:
    """One closure as its lid tells it; times in µs.

    Attributes
    ----------
    closed_us : int
        First record that says closed.
    opened_us : int
        First record that does not; the last that says closed where none follows.
    close_seen, open_seen : bool
        Whether a record in another state comes before and after without a silence.
    still_closed : bool
        The records end before the lid can be said to have opened.
    close_gap_us, open_gap_us : int
        Time between the two records on either side of the edge.
    moving_us : int
        How long the lid was moving before it closed.
    bounces : int
        Interruptions of at most the bounce time that were bridged.
    """

    closed_us: int
    opened_us: int
    close_seen: bool
    open_seen: bool
    still_closed: bool
    close_gap_us: int
    open_gap_us: int
    moving_us: int
    bounces: int

    @property
    def duration_s(self) -> float:
        """Time from closing to opening [s]."""
        return (self.opened_us - self.closed_us) / 1e6


def closures_of(runs: Runs, hold_us: int, bounce_us: int, until_us: int) -> list[LidClosure]:
    """Closures of one lid in order of time.

    Parameters
    ----------
    runs : Runs
        Of the lid's state.
    hold_us : int
        A silence longer than this hides what the lid did [µs].
    bounce_us : int
        An interruption up to this long is a bounce [µs].
    until_us : int
        The latest record of the station [µs]: a lid that has been silent for longer
        than the hold before it is no longer known to be closed.
    """
    n = len(runs)
    found: list[LidClosure] = []
    closed = np.flatnonzero(runs.state == CLOSED)
    i = 0
    while i < len(closed):
        k = int(closed[i])
        head = k
        bounces = 0
        while i + 1 < len(closed):
            following = int(closed[i + 1])
            broken = runs.first[following] - runs.last[k] > bounce_us
            if broken or _silence(runs, k, following, hold_us):
                break
            bounces += 1
            i += 1
            k = following
        i += 1
        close_seen = head > 0 and runs.first[head] - runs.last[head - 1] <= hold_us
        moving_us = 0
        if close_seen and runs.state[head - 1] == MOVING:
            moving_us = int(runs.first[head] - runs.first[head - 1])
        after = k + 1
        open_seen = after < n and runs.first[after] - runs.last[k] <= hold_us
        opened = int(runs.first[after] if open_seen else runs.last[k])
        if open_seen:
            # It may yet bounce back: records must go on beyond the bounce time.
            still = after == n - 1 and runs.last[after] - runs.last[k] <= bounce_us
            still = still and until_us - runs.last[after] <= hold_us
            if still:
                opened, open_seen = int(runs.last[k]), False
        else:
            still = after == n and until_us - runs.last[k] <= hold_us
        found.append(
            LidClosure(
                closed_us=int(runs.first[head]),
                opened_us=opened,
                close_seen=bool(close_seen),
                open_seen=bool(open_seen),
                still_closed=bool(still),
                close_gap_us=int(runs.first[head] - runs.last[head - 1]) if close_seen else 0,
                open_gap_us=int(runs.first[after] - runs.last[k]) if open_seen else 0,
                moving_us=moving_us,
                bounces=bounces,
            )
        )
    return found


def _silence(runs: Runs, a: int, b: int, hold_us: int) -> bool:
    """Whether a silence longer than the hold lies between run ``a`` and run ``b``."""
    return bool((runs.first[a + 1 : b + 1] - runs.last[a:b] > hold_us).any())


def state_at(runs: Runs, when_us: int, hold_us: int) -> int | None:
    """State at a moment, None where no record lies within the hold of it."""
    i = int(np.searchsorted(runs.first, when_us, side="right")) - 1
    if i >= 0 and when_us - runs.last[i] <= hold_us:
        return int(runs.state[i])
    if i + 1 < len(runs) and runs.first[i + 1] - when_us <= hold_us:
        return int(runs.state[i + 1])
    return None


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
