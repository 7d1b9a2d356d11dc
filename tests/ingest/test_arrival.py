"""Clocks of live sources: ahead, steadily behind, catching up; and records ahead of their time."""

import numpy as np
import pytest

from stream.ingest.arrival import ArrivalWatch
from stream.ingest.batches import OFF, Batch, tidy
from stream.times import DAY, SECOND

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


def of_times(*times: int) -> Batch:
    return tidy("s", np.array(times), {"n2o": np.full(len(times), 331.0)}, np.arange(len(times)))


@pytest.mark.parametrize("ahead_s", [601.0, 20 * 3600.0, 72.1 * 365.25 * 86_400.0])
def test_a_record_dated_after_its_arrival_is_refused_by_itself(ahead_s: float) -> None:
    watch = ArrivalWatch(60.0)
    both = of_times(NOW, NOW + SECOND, NOW + round(ahead_s * SECOND))
    kept = watch.without_ahead(both, NOW)
    assert kept.times.tolist() == [NOW, NOW + SECOND]
    (refused,) = kept.rejects
    assert (refused.line, refused.text) == (2, "n2o=331.0")
    assert "was ahead of this computer's clock when it came" in refused.reason
    assert watch.saw(NOW, kept) is None, "what was refused makes nothing doubtful"


def test_the_same_record_is_taken_when_it_is_brought_again_after_its_time() -> None:
    watch = ArrivalWatch(60.0)
    early = of_times(NOW + 3600 * SECOND)
    assert not len(watch.without_ahead(early, NOW))
    assert watch.without_ahead(early, NOW + 3601 * SECOND) is early


def test_what_is_refused_again_is_the_same_refusal() -> None:
    """Else quarantine grows each time a file is brought again."""
    watch = ArrivalWatch(60.0)
    early = of_times(NOW + 7200 * SECOND)
    first = watch.without_ahead(early, NOW).rejects
    assert watch.without_ahead(early, NOW + 3600 * SECOND).rejects == first


def test_a_station_may_allow_its_clocks_more() -> None:
    early = of_times(NOW + 3000 * SECOND)
    assert ArrivalWatch(3600.0).without_ahead(early, NOW) is early


def test_a_source_most_of_whose_records_are_ahead_has_a_wrong_clock() -> None:
    watch = ArrivalWatch(60.0)
    for i in range(20):
        arrived = NOW + i * 10 * SECOND
        watch.without_ahead(of_times(arrived + (3600 * SECOND if i == 3 else 0)), arrived)
    assert not watch.mostly_ahead, "one record of twenty"
    for i in range(20, 60):
        arrived = NOW + i * 10 * SECOND
        watch.without_ahead(of_times(arrived + 3600 * SECOND), arrived)
    assert watch.mostly_ahead
    for i in range(60, 130):
        arrived = NOW + i * 10 * SECOND
        watch.without_ahead(of_times(arrived), arrived)
    assert not watch.mostly_ahead, "it was set"


def test_a_step_of_our_own_clock_does_not_leave_old_counts_behind() -> None:
    watch = ArrivalWatch(60.0)
    for i in range(50):
        watch.without_ahead(of_times(NOW + DAY), NOW + i * SECOND)
    assert watch.mostly_ahead
    watch.without_ahead(of_times(NOW + DAY), NOW + DAY)
    assert not watch.mostly_ahead
