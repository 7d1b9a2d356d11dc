"""Lids, selectors, windows and gaps. Common practice, no source, unless said otherwise."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.science.closures.lid import (
    CLOSED,
    MOVING,
    OPEN,
    LidClosure,
    Runs,
    closures_of,
    due_times,
    gap_cause,
    join_runs,
    lid_state,
    runs_of,
    state_at,
)
from stream.science.closures.visits import port_visits, visit_values
from stream.science.closures.window import (
    Window,
    is_flat,
    last_before,
    means_over,
    missing_share,
    select,
    steps_at,
    usual_spacing,
    window_of,
)
from stream.science.quality.flags import FLAGS, bits_of, gravest, quality, words

S = 1_000_000
HOLD, BOUNCE = 300 * S, 3 * S


def lid(text: str, step: int = 10) -> Runs:
    """Runs of a lid drawn as text: o open, C closed, m moving, blank for no record."""
    marks = {"o": OPEN, "C": CLOSED, "m": MOVING}
    times = np.array([i * step * S for i, c in enumerate(text) if c in marks], dtype=np.int64)
    state = np.array([marks[c] for c in text if c in marks], dtype=np.int64)
    return runs_of(times, state, HOLD)


def closures(text: str, until: int | None = None, step: int = 10) -> list[LidClosure]:
    runs = lid(text, step)
    return list(closures_of(runs, HOLD, BOUNCE, until if until is not None else int(runs.last[-1])))


def test_a_plain_closure() -> None:
    (c,) = closures("ooommCCCCCCmmoo")
    assert (c.closed_us, c.opened_us) == (50 * S, 110 * S)
    assert c.close_seen
    assert c.open_seen
    assert not c.still_closed
    assert c.moving_us == 20 * S
    assert (c.close_gap_us, c.open_gap_us) == (10 * S, 10 * S)


def test_closed_at_the_first_record() -> None:
    """A difference of neighbours would miss it."""
    (c,) = closures("CCCCoo")
    assert c.closed_us == 0
    assert not c.close_seen


def test_closed_at_the_last_record() -> None:
    """A difference of neighbours would miss it too."""
    (c,) = closures("ooCCCC")
    assert c.still_closed
    assert not c.open_seen
    assert c.opened_us == 50 * S


def test_silent_after_closing() -> None:
    """The rest of the station goes on, and the lid's records do not."""
    (c,) = closures("ooCCCC", until=50 * S + HOLD + 1)
    assert not c.still_closed
    assert not c.open_seen


def test_a_short_silence_is_bridged_and_a_long_one_ends_the_closure() -> None:
    assert len(closures("oCCC" + " " * 25 + "CCCo")) == 1
    first, second = closures("oCCC" + " " * 35 + "CCCo")
    assert not first.open_seen
    assert not second.close_seen


def test_a_bounce_is_bridged() -> None:
    (c,) = closures("ooCCCCoCCCCooooo", step=1)
    assert c.bounces == 1
    assert (c.closed_us, c.opened_us) == (2 * S, 11 * S)
    assert len(closures("ooCCCCooooCCCCooooo", step=1)) == 2


def test_opening_is_believed_only_after_the_bounce_time() -> None:
    assert closures("ooCCCCo", step=1)[0].still_closed
    assert not closures("ooCCCCoooo", step=1)[0].still_closed


def test_moving_without_closing_is_no_closure() -> None:
    assert closures("ooommmmmmoooo") == []


def test_states() -> None:
    """Anything that is neither closed nor open is moving."""
    values = np.array([1.0, 0.0, 2.0, 0.5])
    assert list(lid_state(values, 1.0, 0.0)) == [CLOSED, OPEN, MOVING, MOVING]


@given(st.text(alphabet="oCm  ", min_size=2, max_size=80), st.data())
def test_runs_join_over_any_cut(text: str, data: st.DataObject) -> None:
    cut = data.draw(st.integers(0, len(text)))
    marks = {"o": OPEN, "C": CLOSED, "m": MOVING}
    times = np.array([i * 60 * S for i, c in enumerate(text) if c in marks], dtype=np.int64)
    state = np.array([marks[c] for c in text if c in marks], dtype=np.int64)
    early = times < cut * 60 * S
    whole = runs_of(times, state, HOLD)
    a = runs_of(times[early], state[early], HOLD)
    b = runs_of(times[~early], state[~early], HOLD)
    joined = join_runs(a, b, HOLD)
    for name in ("state", "first", "last"):
        assert np.array_equal(getattr(joined, name), getattr(whole, name))


def test_state_at_a_moment() -> None:
    runs = lid("ooCCoo")
    assert state_at(runs, 25 * S, HOLD) == CLOSED
    assert state_at(runs, 50 * S + HOLD, HOLD) == OPEN
    assert state_at(runs, 51 * S + HOLD, HOLD) is None


def test_due_times() -> None:
    """Eight a day: a closure each 3 h; the second and third of five are missing."""
    hour = 3600 * S
    assert list(due_times([0, 9 * hour], -hour, 10 * hour, 3 * hour)) == [3 * hour, 6 * hour]
    assert list(due_times([], 0, 7 * hour, 3 * hour)) == [3 * hour]
    assert list(due_times([0], 0, int(4.4 * hour), 3 * hour)) == []
    assert list(due_times([0], 0, int(4.5 * hour), 3 * hour)) == [3 * hour]


@given(
    st.lists(st.integers(1, 10**6), max_size=12, unique=True),
    st.integers(1, 10**6),
    st.integers(10, 10**5),
)
def test_due_times_only_grow_with_the_record(closed, until: int, interval: int) -> None:
    """What was due by an earlier moment stays due when records go on, unless a closure comes."""
    known = sorted(c for c in closed if c <= until)
    early = set(due_times(known, 0, until, interval))
    late = set(due_times(known, 0, until + 3 * interval, interval))
    assert early <= late


@pytest.mark.parametrize(
    ("text", "cause"),
    [
        ("o" * 200, "lid_stuck_open"),
        ("C" * 200, "lid_stuck_closed"),
        ("o" * 90 + "m" * 30 + "o" * 80, "lid_stuck_moving"),
        ("o" * 40 + " " * 120 + "o" * 40, "no_lid_records"),
        # Records end as it is due, within the time for which a state is held.
        ("o" * 100 + " " * 100, "no_lid_records"),
        ("C" * 100 + " " * 100, "no_lid_records"),
        ("o" * 130, "lid_stuck_open"),
        ("C" * 130, "lid_stuck_closed"),
    ],
)
def test_gap_causes(text: str, cause: str) -> None:
    assert gap_cause(lid(text), 1000 * S, 1800 * S, HOLD, 60 * S) == cause


def test_window_ends_a_lag_before_opening() -> None:
    window = window_of(0, 600 * S, 30 * S, 5400 * S, 8 * S)
    assert (window.start_us, window.stop_us) == (30 * S, 592 * S)
    assert window_of(0, 9000 * S, 30 * S, 5400 * S, 0).stop_us == 5400 * S
    times = np.arange(0, 700, 10) * S
    part = select(times, window)
    assert (times[part][0], times[part][-1]) == (30 * S, 590 * S)


def test_missing_share() -> None:
    assert missing_share(np.arange(0, 100) * S, 0, 100 * S) == 0.0
    holed = np.concatenate((np.arange(0, 40), np.arange(60, 100))) * S
    assert missing_share(holed, 0, 100 * S) == pytest.approx(0.20)
    assert missing_share(np.arange(0, 75) * S, 0, 100 * S) == pytest.approx(0.25, abs=0.01)
    assert missing_share(np.empty(0, np.int64), 0, 100 * S) == 1.0
    assert missing_share(np.array([7 * S]), 0, 100 * S) == 0.0
    # Uneven spacing, and pauses at both ends, each written out by hand: median 2 s, pauses of
    # 9, 7 and (with half a spacing at each end) 11 and 5 s, less 2 s each, over 60 s.
    ragged = np.array([10, 12, 14, 23, 25, 27, 29, 36, 38, 40, 42, 44, 46, 48, 50, 52, 54, 56]) * S
    assert missing_share(ragged, 0, 60 * S) == pytest.approx((7 + 5 + 9 + 3) / 60)


def test_usual_spacing() -> None:
    """numpy.median is the judge."""
    rng = np.random.default_rng(5)
    for n in (2, 3, 10, 11, 200):
        times = np.cumsum(rng.integers(1, 5, n)) * S
        assert usual_spacing(times) == np.median(np.diff(times))
    assert usual_spacing(np.arange(5) * S) == S
    assert np.isnan(usual_spacing(np.array([S])))


def test_flat_line() -> None:
    assert is_flat(np.full(50, 331.2))
    assert not is_flat(np.round(331.2 + np.random.default_rng(1).normal(0, 0.3, 50), 2))
    assert not is_flat(np.full(9, 331.2))
    # A coarse reading that still rises is not flat.
    assert not is_flat(np.repeat(np.arange(10.0), 5))


def test_last_value_holds_for_a_while() -> None:
    times, values = np.array([0, 10]) * S, np.array([1.0, 2.0])
    found = last_before(times, values, np.array([-1, 0, 9, 10, 70, 71]) * S, 60 * S)
    assert np.isnan(found[[0, 5]]).all()
    assert list(found[1:5]) == [1.0, 1.0, 2.0, 2.0]


def test_slow_sensor_over_windows() -> None:
    times, values = np.arange(0, 100, 10) * S, np.arange(10.0)
    values[5] = np.nan
    starts, stops = np.array([20, 20, 91, 300, 50]) * S, np.array([50, 60, 99, 400, 60]) * S
    means, held = means_over(times, values, starts, stops, 15 * S)
    np.testing.assert_array_equal(means, [3.0, 3.0, 9.0, np.nan, 4.0])
    assert held.tolist() == [False, False, True, False, True]
    means, held = means_over(times, values, starts, stops, 5 * S)
    np.testing.assert_array_equal(means, [3.0, 3.0, 9.0, np.nan, np.nan])
    assert not means_over(times[:0], values[:0], starts, stops, S)[1].any()


def test_a_jump_of_a_sensor() -> None:
    """The step is the difference of medians; its error is held against many noisy tries."""
    rng = np.random.default_rng(3)
    times = np.arange(0, 90_000) * S
    edges = np.arange(60, 90_000, 90) * S
    values = np.floor(times / (90 * S) + 1 / 3) * 5.0 + rng.normal(0, 2.0, len(times))
    steps, errors = steps_at(times, values, edges, 60 * S, 30 * S)
    assert steps.mean() == pytest.approx(5.0, abs=0.1)
    assert steps.std() == pytest.approx(errors.mean(), rel=0.1)
    i = 17
    before = values[(times >= edges[i] - 60 * S) & (times < edges[i])]
    after = values[(times >= edges[i]) & (times < edges[i] + 30 * S)]
    assert steps[i] == np.median(after) - np.median(before)
    assert np.isnan(steps_at(times[:62], values[:62], edges[:1], 60 * S, 30 * S)).all()


def test_visits() -> None:
    """The tail begins after the flush and ends a lag before the selector moves on."""
    times = np.arange(0, 300, 10) * S
    port = np.where(times < 100 * S, 1, np.where(times < 200 * S, 2, 15))
    first, second, third = port_visits(runs_of(times, port, 60 * S), 60 * S, int(times[-1]))
    assert (second.port, second.started_us, second.ended_us) == (2, 100 * S, 200 * S)
    assert first.finished
    assert not third.finished
    assert second.settled(30 * S, 8 * S) == Window(130 * S, 192 * S)


def test_visit_value_and_its_error() -> None:
    """Mean, and σ/√n of white noise; a rising tail does not count as noise.

    The allowance for autocorrelation only ever raises the error: here by 20 % at the median.
    """
    rng = np.random.default_rng(5)
    times = [np.arange(0, 60) * S for _ in range(400)]
    values = [330 + 0.5 * np.arange(60) + rng.normal(0, 0.3, 60) for _ in range(400)]
    got = visit_values(times, values, None)
    ideal = 0.3 / np.sqrt(60)
    assert ideal < np.median(got.value_se) < 1.25 * ideal
    true = 330 + 0.5 * 29.5
    assert np.std(got.value - true) == pytest.approx(ideal, rel=0.12)
    assert got.mid_us[0] == round(29.5 * S)


def test_visit_of_one_sample_has_the_stated_precision() -> None:
    got = visit_values(
        [np.array([5 * S]), np.empty(0, np.int64)], [np.array([331.0]), np.empty(0)], 0.4
    )
    assert got.value[0] == 331.0
    assert got.value_se[0] == 0.4
    assert np.isnan(got.value[1])
    without = visit_values([np.array([5 * S])], [np.array([331.0])], None)
    assert np.isnan(without.value_se[0])


def test_flags_and_quality() -> None:
    """IOC 54:V3 primary levels; 4 before 3 before 1, and 9 for what is not there."""
    assert quality(0) == 1
    assert quality(bits_of(["below_detection"])) == 1
    assert quality(bits_of(["below_detection", "lid_bounce"])) == 3
    assert quality(bits_of(["too_short", "lid_bounce"])) == 4
    assert quality(bits_of(["too_short", "no_samples"])) == 9
    bits = bits_of(["below_detection", "lid_bounce", "lid_bounce"])
    assert words(bits) == "lid_bounce below_detection"
    assert gravest(["below_detection", "lid_bounce"]) == "lid_bounce"
    assert gravest([]) == ""
    with pytest.raises(KeyError):
        bits_of(["nonsense"])


def test_every_flag_says_what_it_is_and_what_to_do() -> None:
    """CF flag_meanings: words of letters, digits and _-.+@ only."""
    for name, flag in FLAGS.items():
        assert name == flag.name
        assert set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789_")
        assert flag.quality in {1, 2, 3, 4, 9}
        for text in (flag.meaning, flag.found, flag.remedy):
            assert text.endswith(".")
            assert len(text) > 10
