"""The way of a round: against every order there is, and by hand."""

from itertools import pairwise, permutations

import numpy as np
import pytest

from stream.science.planning.rounds import (
    people_needed,
    share_out,
    short_tour,
    time_between_s,
    walk_of,
)


def distances(points: np.ndarray) -> np.ndarray:
    return np.hypot(*(points[:, None, :] - points[None, :, :]).transpose(2, 0, 1))


def length(tour: tuple[int, ...], travel: np.ndarray) -> float:
    return float(sum(travel[a, b] for a, b in zip(tour, (*tour[1:], tour[0]), strict=True)))


@pytest.mark.parametrize("seed", range(8))
def test_the_way_is_short(seed: int) -> None:
    """Against all 720 orders of seven chambers: within a tenth of the shortest."""
    travel = distances(np.random.default_rng(seed).uniform(0.0, 100.0, (7, 2)))
    tour = short_tour(travel)
    assert sorted(tour) == list(range(7))
    best = min(length((0, *rest), travel) for rest in permutations(range(1, 7)))
    assert length(tour, travel) <= 1.1 * best


def test_chambers_on_a_ring_are_walked_round() -> None:
    """Twelve on a circle, numbered at random: the shortest way is the circle itself."""
    angle = np.random.default_rng(1).permutation(12) * 2 * np.pi / 12
    travel = distances(50.0 * np.column_stack([np.cos(angle), np.sin(angle)]))
    assert length(short_tour(travel), travel) == pytest.approx(12 * 100.0 * np.sin(np.pi / 12))


def test_a_turn_by_hand() -> None:
    """Three chambers 60 s apart, 40 s each: 0, 100, 200 s, and 300 s round with the way back
    of 60 s.
    """
    travel = np.full((3, 3), 60.0)
    walk = walk_of((0, 1, 2), travel, 40.0)
    assert (walk.offset_s, walk.turn_s) == ((0.0, 100.0, 200.0), 300.0)
    assert walk_of((1,), travel, 40.0).turn_s == 40.0
    assert time_between_s((0.0, 20.0, 30.0, 60.0)) == 600.0


@pytest.mark.parametrize("people", [1, 2, 3, 5])
def test_the_longest_turn_is_as_short_as_cuts_can_make_it(people: int) -> None:
    """Against every way to cut eight chambers among so many people."""
    travel = distances(np.random.default_rng(5).uniform(0.0, 200.0, (8, 2)))
    order = short_tour(travel)
    walks = share_out(order, travel, 30.0, people)
    assert [i for w in walks for i in w.order] == list(order)
    best = np.inf
    for bits in range(2**7):
        cuts = [0, *(i + 1 for i in range(7) if bits >> i & 1), 8]
        if len(cuts) - 1 == people:
            parts = pairwise(cuts)
            best = min(best, max(walk_of(order[a:b], travel, 30.0).turn_s for a, b in parts))
    assert max(w.turn_s for w in walks) == pytest.approx(best)


def test_how_many_people() -> None:
    """Ten chambers, 45 s each and 30 s apart: a turn is 10 · 45 + 10 · 30 = 750 s."""
    travel = np.full((10, 10), 30.0)
    np.fill_diagonal(travel, 0.0)
    assert people_needed(range(10), travel, 45.0, 750.0) == 1
    assert people_needed(range(10), travel, 45.0, 749.0) == 2
    assert people_needed(range(10), travel, 45.0, 45.0) == 10
    assert people_needed(range(10), travel, 45.0, 44.0) is None
