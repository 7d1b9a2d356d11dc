"""Clocks of live sources: ahead, steadily behind, catching up; and records that cannot be."""

import numpy as np
import pytest

from stream.records import DAY, OFF, SECOND, Batch, tidy
from stream.service.arrival import ArrivalWatch, without_the_impossible

NOW = 1_795_000_000 * SECOND
"""2026-11-18, as this computer has it."""


def one(time_us: int, n: int = 1) -> Batch:
    times = time_us + np.arange(n) * SECOND
    return tidy("s", times, {"n2o": np.full(n, 331.0)}, np.arange(n))


def feed(watch: ArrivalWatch, delays: list[float], every_s: float = 10.0) -> list[object]:
    """Records that come every so many seconds, each so late."""
    found = []
    for i, delay in enumerate(delays):
        arrived = NOW + round(i * every_s * SECOND)
        found.append(watch.saw(arrived, one(arrived - round(delay * SECOND))))
    return found


def test_a_good_clock_is_left_alone() -> None:
    rng = np.random.default_rng(1)
    watch = ArrivalWatch(60.0)
    assert set(feed(watch, list(rng.uniform(0.1, 3.0, 500)))) == {None}
    assert 0.1 <= watch.offset_s <= 3.0


def test_a_clock_ahead_is_found_at_once() -> None:
    watch = ArrivalWatch(60.0)
    doubts = feed(watch, [0.2] * 10 + [-5.0])
    assert doubts[:10] == [None] * 10
    doubt = doubts[10]
    assert doubt is not None
    assert doubt.kind == OFF  # type: ignore[attr-defined]
    assert doubt.shift_s.tolist() == [pytest.approx(5.0)]  # type: ignore[attr-defined]


def test_a_clock_that_drifts_behind_is_found_when_it_is_off_by_more_than_allowed() -> None:
    """Two seconds an hour: found after thirty hours, not before."""
    watch = ArrivalWatch(60.0)
    per_step = 2.0 / 360
    delays = [0.5 + i * per_step for i in range(33 * 360)]
    doubts = feed(watch, delays)
    first = next(i for i, d in enumerate(doubts) if d is not None)
    assert 60.0 < delays[first] < 62.5
    assert all(d is not None for d in doubts[first:])


def test_a_clock_set_back_an_hour_is_found_after_ten_minutes() -> None:
    watch = ArrivalWatch(60.0)
    doubts = feed(watch, [0.5] * 200 + [3600.5] * 500)
    # Records behind those that came before say nothing until they are the newest again.
    assert doubts[:400] == [None] * 400
    assert doubts[-1] is not None


def test_catching_up_after_an_outage_is_no_fault() -> None:
    """The delay falls from a day to nothing, ten times as fast as it grew."""
    watch = ArrivalWatch(60.0)
    delays = [86_400 - 9 * 10 * i for i in range(960)] + [0.5] * 200
    assert set(feed(watch, [float(d) for d in delays])) == {None}


def test_files_that_come_once_an_hour_are_no_fault() -> None:
    watch = ArrivalWatch(60.0)
    for i in range(48):
        arrived = NOW + i * 3600 * SECOND
        assert watch.saw(arrived, one(arrived - 3600 * SECOND, 3500)) is None


def test_a_record_from_the_far_future_is_refused_where_our_clock_can_be_trusted() -> None:
    good, far = one(NOW, 3), one(NOW + 400 * DAY, 2)
    both = Batch(
        "s", ("n2o",), np.concatenate([good.times, far.times]),
        np.concatenate([good.values, far.values]), np.arange(5),
    )  # fmt: skip
    kept = without_the_impossible(both, NOW + SECOND * 60, latest_us=NOW)
    assert kept.times.tolist() == good.times.tolist()
    assert [r.text for r in kept.rejects] == ["n2o=331.0"] * 2
    assert "over a day after its arrival" in kept.rejects[0].reason
    for arrived, latest in ((0, None), (NOW - 10 * DAY, NOW), (946_684_800 * SECOND, NOW)):
        assert without_the_impossible(both, arrived, latest) is both, "our own clock is wrong"
    assert without_the_impossible(good, NOW - DAY + SECOND * 60, None) is good
