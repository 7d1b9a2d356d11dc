"""Rounds of sampling by hand: in which order people go, and whether they can be everywhere
in time.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Route:
    """What one person does.

    Attributes
    ----------
    order : tuple of int
        Chambers in the order in which they are visited, again and again.
    offset_s : tuple of float
        When each is first reached, in that order, after the start [s].
    turn_s : float
        From the first chamber round to the first chamber again [s].
    """

    order: tuple[int, ...]
    offset_s: tuple[float, ...]
    turn_s: float


def walk_of(order: Sequence[int], travel_s: Floats, handling_s: float) -> Route:
    """One person's turn in a given order.

    Parameters
    ----------
    order : sequence of int
        Chambers.
    travel_s : ndarray, shape (n, n)
        From chamber to chamber [s].
    handling_s : float
        For one sample: to close or reach the lid, fill the vial and note the time [s].

    Returns
    -------
    Route
    """
    offsets = [0.0]
    for a, b in pairwise(order):
        offsets.append(offsets[-1] + handling_s + float(travel_s[a, b]))
    back = float(travel_s[order[-1], order[0]]) if len(order) > 1 else 0.0
    return Route(tuple(order), tuple(offsets), offsets[-1] + handling_s + back)


def short_tour(travel_s: Floats) -> tuple[int, ...]:
    """A short way round all chambers and back: the nearest next one, then uncrossed.

    Parameters
    ----------
    travel_s : ndarray, shape (n, n)
        Symmetric [s].

    Returns
    -------
    tuple of int
        Every chamber once, the first first.

    Notes
    -----
    Nearest neighbour from the first, then 2-opt until nothing gets shorter: textbook
    methods; the shortest way of all is not promised.
    """
    n = len(travel_s)
    left, tour = set(range(1, n)), [0]
    while left:
        nearest = min(left, key=lambda j: (travel_s[tour[-1], j], j))
        tour.append(nearest)
        left.remove(nearest)
    shorter = n > 3
    while shorter:
        shorter = False
        for i in range(1, n - 1):
            for j in range(i + 1, n):
                a, b, c, d = tour[i - 1], tour[i], tour[j], tour[(j + 1) % n]
                gain = travel_s[a, b] + travel_s[c, d] - travel_s[a, c] - travel_s[b, d]
                if gain > 1e-9:
                    tour[i : j + 1] = tour[i : j + 1][::-1]
                    shorter = True
    return tuple(tour)


def time_between_s(minutes: Sequence[float]) -> float:
    """Shortest time between two sample times [s]: a turn must fit into it."""
    return 60.0 * min(b - a for a, b in pairwise(minutes))


def share_out(
    order: Sequence[int], travel_s: Floats, handling_s: float, people: int
) -> list[Route]:
    """Cut a way into stretches, one a person, of as equal turns as whole chambers allow.

    Parameters
    ----------
    order : sequence of int
        The way.
    travel_s, handling_s
        As in :func:`walk_of`.
    people : int
        Who share it.

    Returns
    -------
    list of Route
        As many as there are people, or chambers if those are fewer; the longest turn is
        as short as cuts of this way can make it.
    """
    n, people = len(order), min(people, len(order))

    def turn(i: int, j: int) -> float:
        return walk_of(order[i:j], travel_s, handling_s).turn_s

    # worst[k][j]: the longest turn if the first j chambers are shared among k people.
    worst = [[np.inf] * (n + 1) for _ in range(people + 1)]
    cut = [[0] * (n + 1) for _ in range(people + 1)]
    worst[0][0] = 0.0
    for k in range(1, people + 1):
        for j in range(k, n + 1):
            for i in range(k - 1, j):
                longest = max(worst[k - 1][i], turn(i, j))
                if longest < worst[k][j]:
                    worst[k][j], cut[k][j] = longest, i
    walks, j = [], n
    for k in range(people, 0, -1):
        i = cut[k][j]
        walks.append(walk_of(order[i:j], travel_s, handling_s))
        j = i
    return walks[::-1]


def people_needed(
    order: Sequence[int], travel_s: Floats, handling_s: float, between_s: float
) -> int | None:
    """How many people a round needs; None where one chamber alone takes too long."""
    for people in range(1, len(order) + 1):
        walks = share_out(order, travel_s, handling_s, people)
        if max(w.turn_s for w in walks) <= between_s:
            return people
    return None
