"""One cause is one task: power cuts, a logger or an analyzer that is down, a lid that sticks."""

from pathlib import Path

import numpy as np
import pytest
from mistakes import Columns
from thinned import SCENARIOS, columns_of, outcome

from stream.demo.write import station_text
from stream.report.summary.model import DaySummary
from stream.report.summary.render import as_text

H = 3600


@pytest.fixture(scope="module")
def made() -> dict[str, Columns]:
    """The records of both stations."""
    return {kind: columns_of(kind) for kind in SCENARIOS}


def cut(columns: Columns, first_h: float, hours: float, only: str = "") -> Columns:
    """Records lost from an hour after the first record on, of all channels or of some."""
    found = {}
    for name, (t, v) in columns.items():
        lost = (t - t[0] >= first_h * H) & (t - t[0] < (first_h + hours) * H)
        if only and not any(name.startswith(o) for o in only.split()):
            found[name] = (t, v)
        else:
            found[name] = (t[~lost], v[~lost])
    return found


def days_of(kind: str, columns: Columns, folder: Path) -> list[DaySummary]:
    return outcome(kind, station_text(SCENARIOS[kind]), columns, folder)[1]


def jobs(day: DaySummary) -> list[str]:
    """Tasks but that of measuring heights, which is due by itself."""
    return [
        f"{t.where} | {t.what} | {t.why}" for t in day.tasks if "headspace height" not in t.what
    ]


@pytest.mark.parametrize("kind", ["own", "shared"])
@pytest.mark.parametrize("hours", [0.5, 3.0, 11.0])
def test_a_power_cut_is_one_task(
    made: dict[str, Columns], tmp_path: Path, kind: str, hours: float
) -> None:
    day = days_of(kind, cut(made[kind], 24 + 5.3, hours), tmp_path)[0]
    (task,) = jobs(day)
    assert task.startswith("station | Check power, logger and data connection of the station.")
    assert f"({hours:.1f} h in total)" in task
    if hours > 4:
        assert "closures missed" in task
        # Nothing is hidden: each fault says what it comes of.
        assert day.faults
        causes = {c.cause for f in day.faults for c in f.cases}
        assert len(causes) == 1
        assert "no data" in next(iter(causes))
        assert "Likely cause: station: no data" in " ".join(as_text(day).split())


@pytest.mark.parametrize("kind", ["own", "shared"])
def test_a_cut_over_midnight_is_one_task_a_day(
    made: dict[str, Columns], tmp_path: Path, kind: str
) -> None:
    first, second, third = days_of(kind, cut(made[kind], 24 + 20.0, 11.0), tmp_path)
    (evening,) = jobs(first)
    assert "ongoing at the end of the day" in evening
    (morning,) = jobs(second)
    assert "ongoing" not in morning
    assert jobs(third) == []


def test_a_day_without_any_record_is_one_task(made: dict[str, Columns], tmp_path: Path) -> None:
    days = days_of("own", cut(made["own"], 20.0, 56.0), tmp_path)
    (task,) = jobs(days[0])
    assert task.startswith("station | Check power")


def test_power_that_flickers_is_one_task(made: dict[str, Columns], tmp_path: Path) -> None:
    columns = made["own"]
    for hour in (26.0, 31.0, 37.0):
        columns = cut(columns, hour, 0.7)
    (task,) = jobs(days_of("own", columns, tmp_path)[0])
    assert task.count("–") == 3


def test_what_reads_the_same_after_a_power_cut_did_not_stand_still(
    made: dict[str, Columns], tmp_path: Path
) -> None:
    columns = cut(made["own"], 30.0, 6.0)
    for name in ("p_air", "t_a4"):
        t, v = columns[name]
        after = int(np.argmax(np.diff(t))) + 1
        columns[name] = (t, np.where(np.arange(len(v)) == after, v[after - 1], v))
    (task,) = jobs(days_of("own", columns, tmp_path)[0])
    assert task.startswith("station | Check power")
    # As would be if a clock was set forward.
    assert "a gap of whole hours can also be a clock that was set forward" in task


def test_an_analyzer_that_is_down_is_one_task(made: dict[str, Columns], tmp_path: Path) -> None:
    day = days_of("own", cut(made["own"], 30.0, 5.0, "n2o ch4 co2 h2o laser_status"), tmp_path)[0]
    (task,) = jobs(day)
    assert task.startswith("laser | Check the analyzer, its power and its data connection.")


def test_sensors_of_one_logger_are_one_task(made: dict[str, Columns], tmp_path: Path) -> None:
    day = days_of("own", cut(made["own"], 30.0, 7.0, "t_ ts_ vwc_ p_air"), tmp_path)[0]
    (task,) = jobs(day)
    assert "Check the logger of these channels" in task


def test_one_thermometer_and_its_closures_are_one_task(
    made: dict[str, Columns], tmp_path: Path
) -> None:
    day = days_of("own", cut(made["own"], 30.0, 7.0, "t_a3"), tmp_path)[0]
    (task,) = jobs(day)
    assert task.startswith("t_a3 | Check the sensor and its wiring. | no data for 7.0 h")
    assert "closures of A3 lack it" in task


def test_a_lid_whose_signal_is_lost_is_one_task(made: dict[str, Columns], tmp_path: Path) -> None:
    day = days_of("own", cut(made["own"], 30.0, 4.0, "lid_a3"), tmp_path)[0]
    (task,) = jobs(day)
    assert task.startswith("lid_a3 | Check the sensor and its wiring. | no data for 4.0 h")


def stuck(columns: Columns, lid: str, first_h: float, hours: float) -> Columns:
    t, v = columns[lid]
    here = (t - t[0] >= first_h * H) & (t - t[0] < (first_h + hours) * H)
    return {**columns, lid: (t, np.where(here, 1.0, v))}


def test_a_lid_that_sticks_is_one_task(made: dict[str, Columns], tmp_path: Path) -> None:
    """With the closures of the others on its line, which it spoils."""
    day = days_of("own", stuck(made["own"], "lid_a5", 30.0, 8.0), tmp_path)[0]
    mine = jobs(day)
    assert [m for m in mine if m.startswith("A5 | The lid moves again. Find out why it stuck.")]
    assert len(mine) <= 2, mine


def test_a_lid_that_sticks_for_a_day_is_one_task_a_day(
    made: dict[str, Columns], tmp_path: Path
) -> None:
    """The closure of another chamber had begun when it stuck: it comes of the same."""
    first, second, third = days_of("own", stuck(made["own"], "lid_a5", 30.0, 24.0), tmp_path)
    (ongoing,) = jobs(first)
    (ended,) = jobs(second)
    assert ongoing.startswith("A5 | Free the lid soon")
    assert ended.startswith("A5 | The lid moves again.")
    assert jobs(third) == []


def test_what_a_cut_does_not_explain_keeps_its_task(
    made: dict[str, Columns], tmp_path: Path
) -> None:
    """A lid that sticks in the cut and stays so, and a sensor that never comes back."""
    columns = cut(made["own"], 28.0, 6.0)
    columns = stuck(columns, "lid_a5", 29.0, 17.0)
    columns = cut(columns, 28.0, 40.0, "t_b2")
    mine = jobs(days_of("own", columns, tmp_path)[0])
    assert [m for m in mine if m.startswith("station | Check power")]
    assert [m for m in mine if m.startswith("A5 |")]
    assert [m for m in mine if m.startswith("t_b2 |")]
