"""A log file that is refused, and a clock that is set, are each one cause and one task."""

from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from mistakes import Columns
from thinned import SCENARIOS, columns_of

from stream.compute.replay import replay
from stream.demo.write import station_text
from stream.errors import SourceError
from stream.report.summary.day_summary import summarize
from stream.report.summary.findings.refused import RefusedSource, behind, by_source
from stream.report.summary.model import DaySummary
from stream.station import load_station, read_clock
from stream.store import open_store
from stream.store.station_data import StationData

DAY = 86_400


@pytest.fixture(scope="module")
def made() -> dict[str, Columns]:
    """The records of both stations, of two days; of the own lines every second one."""
    return {
        kind: {
            name: (t[t < t[0] + 2 * DAY][::every], v[t < t[0] + 2 * DAY][::every])
            for name, (t, v) in columns_of(kind).items()
        }
        for kind, every in (("own", 2), ("shared", 1))
    }


def write(
    columns: Columns,
    folder: Path,
    header: str = "",
    time: str = "",
    step_h: int = 0,
    neighbour: str = "",
) -> None:
    """A file a day of all fast columns and one of the slow; the second fast one is spoiled, or
    the clock is set in the middle of the second day.
    """
    folder.mkdir()
    groups: dict[int, list[str]] = {}
    for name, (t, _) in columns.items():
        groups.setdefault(len(t), []).append(name)
    fast = max(groups)
    for many, names in groups.items():
        t = columns[names[0]][0]
        for day in range(2):
            part = (t - t[0]) // DAY == day
            spoiled = day == 1 and many == fast
            text = [",".join(["time", *names])]
            if spoiled and header:
                text[0] = text[0].replace("n2o", header)
            cells = np.column_stack([columns[n][1][part] for n in names])
            for at, row in zip(t[part].tolist(), cells.tolist(), strict=True):
                at += step_h * 3600 if at - t[0] > 1.55 * DAY else 0
                moment = datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
                if spoiled and time:
                    moment = time
                text.append(",".join([moment, *(f"{v:g}" for v in row)]))
            kind = "fast" if many == fast else f"slow{many}"
            (folder / f"{kind}_{day}.csv").write_text("\n".join(text) + "\n")
            if neighbour and spoiled:
                other = [line.replace(".", ".9") for line in text[1:]]
                (folder / neighbour).write_text("\n".join([text[0], *other]) + "\n")


def second_day(kind: str, columns: Columns, tmp_path: Path, **spoil: Any) -> DaySummary:
    path = tmp_path / "station.toml"
    path.write_text(station_text(SCENARIOS[kind]))
    write(columns, tmp_path / "logs", **spoil)
    file = load_station(path)
    replay(file, [tmp_path / "logs"], file.database_url, partial=True)
    with closing(open_store(file.database_url)) as store:
        data = StationData.over(file, store)
        return summarize(data, SCENARIOS[kind].start.date() + timedelta(days=1))


@pytest.mark.parametrize("kind", ["own", "shared"])
@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        ({"header": "n2o [ppm]"}, "fast_1.csv was refused"),
        ({"time": "99:99"}, "lines of fast_1.csv were refused (first: '99:99' is not a time)"),
    ],
    ids=["whole file", "every line"],
)
def test_a_refused_file_is_one_task_that_names_it(
    made: dict[str, Columns], tmp_path: Path, kind: str, spoil: dict[str, str], words: str
) -> None:
    day = second_day(kind, made[kind], tmp_path, **spoil)
    (task,) = [t for t in day.tasks if "headspace height" not in t.what]
    assert task.where == "fast_1.csv"
    assert task.what.startswith("Correct the file, or the station file, and load it again.")
    assert words in task.why
    assert "closures missed" in task.why


@pytest.mark.parametrize("kind", ["own", "shared"])
@pytest.mark.parametrize("hours", [1, 6, -1, -6])
def test_a_clock_that_is_set_is_one_task(
    made: dict[str, Columns], tmp_path: Path, kind: str, hours: int
) -> None:
    """Forward, hours are missing; back, hours come twice."""
    day = second_day(kind, made[kind], tmp_path, step_h=hours)
    ends = "ongoing at the end of the day"  # where the records end, hours before the day does
    tasks = [t for t in day.tasks if "headspace height" not in t.what and ends not in t.why]
    (task,) = tasks
    assert "clock" in task.what + task.why


@pytest.mark.parametrize("kind", ["own", "shared"])
def test_columns_that_are_exchanged_are_one_task_though_a_range_hides_one(
    made: dict[str, Columns], tmp_path: Path, kind: str
) -> None:
    columns = dict(made[kind])
    columns["n2o"], columns["ch4"] = columns["ch4"], columns["n2o"]
    day = second_day(kind, columns, tmp_path)
    (task,) = [t for t in day.tasks if "headspace height" not in t.what]
    assert task.why.count("The two columns may be exchanged") == 2


@pytest.mark.parametrize("name", ["a_neighbour.csv", "z_neighbour.csv"])
def test_a_file_of_another_station_is_one_task_that_names_both_files(
    made: dict[str, Columns], tmp_path: Path, name: str
) -> None:
    """Which of them is wrong no record tells; whichever was read first stands."""
    day = second_day("own", made["own"], tmp_path, neighbour=name)
    (task,) = [t for t in day.tasks if "headspace height" not in t.what]
    assert {*task.where.split(", ")} == {"fast_1.csv", name}
    assert task.what.startswith("Find out which of these files holds the data of this station.")
    refused = max("fast_1.csv", name)
    assert f"lines of {refused} have other values for times already recorded" in task.why
    assert "closures are flagged" in task.why


def row(source: str, line: int, text: str, reason: str = "'x' is not a time") -> dict[str, object]:
    return {"source": source, "line": line, "reason": reason, "text": text}


def test_only_lines_of_the_silent_day_are_blamed() -> None:
    """Old refusals are not the cause of a later power cut."""
    rows = [
        row("gas_20260504.csv", 3, "garbled"),
        row("b.csv", 1, "2026-05-06 01:00:00,1"),
        row("c.csv", 9, "04.05.2026 12:00,3"),
        row("d.csv", 0, "", "no time column"),
        row("e.csv", 4, "2026-05-04 01:00:00,1", "n2o is already recorded as 3"),
    ]
    refused = by_source(rows)
    clock = read_clock("+00:00")

    def blamed(day: date, *, fresh: bool = False) -> set[str]:
        start = int(datetime(day.year, day.month, day.day, 6, tzinfo=UTC).timestamp()) * 10**6
        return {r.source for r in behind(refused, start, start + 3600 * 10**6, clock, fresh=fresh)}

    assert blamed(date(2026, 5, 4)) == {"gas_20260504.csv", "c.csv"}
    assert blamed(date(2026, 5, 6)) == {"b.csv"}
    assert blamed(date(2026, 5, 20)) == set()
    assert blamed(date(2026, 5, 20), fresh=True) == {"d.csv"}
    assert refused[0] == RefusedSource("d.csv", 0, "no time column", frozenset())


def test_nothing_is_kept_where_no_file_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "station.toml"
    path.write_text(station_text(SCENARIOS["own"]))
    (tmp_path / "a.csv").write_bytes(b"\x00\x01\x02")
    file = load_station(path)
    with pytest.raises(SourceError):
        replay(file, [tmp_path / "a.csv"], file.database_url)
    assert not (tmp_path / "vellmark.db").exists()
