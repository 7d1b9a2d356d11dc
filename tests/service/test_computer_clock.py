"""The computer's clock: against the monotonic one, across restarts, and what restores trust."""

import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field

import pytest

from stream.errors import StoreError
from stream.service.clock import ComputerClock
from stream.store import Store, open_store
from stream.store.station_data import Marks
from stream.times import DAY, SECOND

NOW_S = 1_795_000_000.0
"""2026-11-18."""


@dataclass
class Clocks:
    """A wall clock and a steady one that a test moves."""

    wall_s: float = NOW_S
    steady_s: float = 500.0
    told: list[str] = field(default_factory=list)

    def wall(self) -> float:
        return self.wall_s

    def steady(self) -> float:
        return self.steady_s

    def pass_by(self, seconds: float, jump: float = 0.0) -> None:
        self.wall_s += seconds + jump
        self.steady_s += seconds

    def tell(self, level: str, text: str, **_: object) -> None:
        self.told.append(text)

    def clock(self, marks: Marks, *, right: bool = False) -> ComputerClock:
        return ComputerClock(marks, self.tell, right=right, wall=self.wall, steady=self.steady)


@pytest.fixture
def store(sqlite_url: str) -> Iterator[Store]:
    with closing(open_store(sqlite_url)) as store:
        yield store


@pytest.fixture
def marks(store: Store) -> Marks:
    return Marks(store, "a-station")


def test_marks_are_kept_by_station_and_name(database_url: str) -> None:
    with closing(open_store(database_url)) as store:
        one, other = Marks(store, "one"), Marks(store, "other")
        assert one.get("x") is None
        one.put("x", "1")
        one.put("x", "2")
        other.put("x", "3")
        assert (one.get("x"), other.get("x"), one.get("y")) == ("2", "3", None)


def test_time_that_passes_is_no_jump(marks: Marks) -> None:
    clocks = Clocks()
    clock = clocks.clock(marks)
    for _ in range(1000):
        clocks.pass_by(0.5)
        assert clock.look() == 0.0
    assert clock.believed
    assert not clocks.told


def test_a_small_step_is_told_and_believed(marks: Marks) -> None:
    clocks = Clocks()
    clock = clocks.clock(marks)
    clocks.pass_by(0.5, jump=-90.0)
    assert clock.look() == pytest.approx(-90.0)
    assert clock.believed
    assert clocks.told == ["this computer's clock was set"]


@pytest.mark.parametrize("jump_s", [-7200.0, 7200.0, 400 * 86_400.0])
def test_a_jump_puts_it_in_doubt_until_it_is_back(marks: Marks, jump_s: float) -> None:
    clocks = Clocks()
    clock = clocks.clock(marks)
    clocks.pass_by(0.5, jump=jump_s)
    clock.look()
    assert "jumped from 2026-11-18" in clock.doubt
    clocks.pass_by(60.0)
    clock.look()
    assert clock.doubt
    clocks.pass_by(0.5, jump=-jump_s)
    clock.look()
    assert clock.believed


def test_many_small_steps_add_up(marks: Marks) -> None:
    clocks = Clocks()
    clock = clocks.clock(marks)
    for _ in range(70):
        clocks.pass_by(0.5, jump=60.0)
        clock.look()
    assert not clock.believed


def test_live_records_that_agree_restore_trust_and_others_do_not(marks: Marks) -> None:
    clocks = Clocks()
    clock = clocks.clock(marks)
    clocks.pass_by(0.5, jump=400 * 86_400.0)
    clock.look()
    now = round(clocks.wall_s * SECOND)
    for _ in range(100):
        clock.heard(0, now, now - 400 * DAY)
    assert not clock.believed
    for _ in range(19):
        clock.heard(0, now, now - 5 * SECOND)
        clock.heard(1, now, now - 3600 * SECOND)
    clock.heard(0, now, now + 2 * 3600 * SECOND)
    assert not clock.believed, "one that is ahead speaks against it"
    for _ in range(20):
        clock.heard(0, now, now - 5 * SECOND)
        clock.heard(1, now, now - 3600 * SECOND)
    assert clock.believed


@pytest.mark.parametrize(
    ("later_s", "doubted"),
    [(60.0, False), (20 * 3600.0, False), (-60.0, False), (30 * 3600.0, True), (-7200.0, True)],
)
def test_across_a_restart_the_last_look_is_compared(
    marks: Marks, later_s: float, *, doubted: bool
) -> None:
    before = Clocks()
    before.clock(marks).keep()
    after = Clocks(wall_s=NOW_S + later_s, steady_s=1.0)
    assert after.clock(marks).believed is not doubted
    assert after.clock(marks, right=True).believed, "a person says so"


def test_a_clock_that_was_never_set_is_not_believed(marks: Marks) -> None:
    clocks = Clocks(wall_s=3600.0)
    assert "never set" in clocks.clock(marks).doubt


def test_in_doubt_nothing_is_stored_that_would_make_it_look_right(marks: Marks) -> None:
    clocks = Clocks()
    clock = clocks.clock(marks)
    clock.keep()
    clocks.pass_by(1.0, jump=400 * 86_400.0)
    clock.look()
    clock.keep()
    assert not Clocks(wall_s=clocks.wall_s).clock(marks).believed


def test_a_database_that_is_away_costs_the_look_alone() -> None:
    class Away:
        def get(self, name: str) -> str | None:
            raise StoreError("away")

        def put(self, name: str, value: str) -> None:
            raise StoreError("away")

    clocks = Clocks()
    clock = clocks.clock(Away())  # type: ignore[arg-type]
    clock.keep()
    assert clock.believed
    assert clocks.told == ["the clock's last look cannot be stored"]


def test_what_it_refuses_does_not_confirm_it(marks: Marks) -> None:
    """Records 20 min ahead are refused; they agreed with it to within half an hour."""
    clocks = Clocks()
    clock = clocks.clock(marks)
    now = round(clocks.wall_s * SECOND)
    for _ in range(100):
        clock.heard(0, now, now + 1200 * SECOND)
    assert not clock.confirmed
    clock.is_behind("logger", now, now + 1200 * SECOND)
    assert clock.doubt
    assert clock.verdict is not None
    assert clock.verdict.behind_us == 1200 * SECOND


def test_sleep_is_no_jump(marks: Marks, monkeypatch: pytest.MonkeyPatch) -> None:
    """clock_gettime(2): CLOCK_BOOTTIME counts while the system is suspended."""
    clocks = Clocks()
    clock = ComputerClock(marks, clocks.tell, wall=lambda: time.time())
    wall, gettime = time.time, time.clock_gettime
    slept = {time.CLOCK_BOOTTIME: 7200.0}
    monkeypatch.setattr(time, "time", lambda: wall() + 7200.0)
    monkeypatch.setattr(time, "clock_gettime", lambda which: gettime(which) + slept.get(which, 0))
    assert clock.look() == 0.0
    assert clock.believed
