"""The morning summary against simulated days whose every fault is known."""

import csv
import json
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from small import station_text

from stream.compute.replay import join, replay
from stream.demo.scenario import own_line, shared_analyzer
from stream.demo.write import write_station
from stream.ingest.batches import tidy
from stream.notes.write import keep_note
from stream.report.summary.closures import DayRows, faults_of
from stream.report.summary.day_summary import summarize
from stream.report.summary.model import DaySummary
from stream.report.summary.render import as_html, as_json, as_text, subject, write_summary
from stream.report.summary.standards import deviations
from stream.science.quality.flags import FLAGS
from stream.station import FieldNote, StationFile, load_station
from stream.store import Store, open_store
from stream.store.station_data import StationData
from stream.times import SECOND


class Days:
    """A simulated station, and its days summed up in order, as the service does."""

    def __init__(self, kind: str, folder: Path) -> None:
        scenario = (own_line if kind == "own" else shared_analyzer)()
        path = write_station(scenario, folder)
        self.file: StationFile = load_station(path)
        replay(self.file, [folder / "incoming"], self.file.database_url)
        with (folder / "truth_faults.csv").open() as rows:
            self.injected = list(csv.DictReader(rows))
        first = scenario.start.date()
        self.store: Store = open_store(self.file.database_url)
        self.days: dict[str, DaySummary] = {}
        data = StationData.over(self.file, self.store)
        for i in range(4):
            day = first + timedelta(days=i)
            summary = summarize(data, day)
            data.kept.put(day, summary.as_dict(), 0)
            self.days[str(day)] = summary


@pytest.fixture(scope="module", params=["own", "shared"])
def days(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Days]:
    found = Days(request.param, tmp_path_factory.mktemp(request.param))
    yield found
    found.store.close()


def local_day(days: Days, at: str) -> str:
    """Days are those of standard time all year."""
    winter = datetime(2026, 1, 15, tzinfo=ZoneInfo(days.file.station.station.timezone))
    return str(datetime.fromisoformat(at).astimezone(timezone(winter.utcoffset())).date())


def named(days: Days) -> set[tuple[str, str, str]]:
    """(day, flag, chamber) of every case in the summaries, but for what only reads a flux."""
    return {
        (day, f.flag, c.chamber) for day, s in days.days.items() for f in s.faults for c in f.cases
    }


def injected(days: Days) -> set[tuple[str, str, str]]:
    return {(local_day(days, r["at"]), r["flag"], r["chamber"]) for r in days.injected}


def test_every_injected_fault_is_named_in_its_days_summary(days: Days) -> None:
    assert len(injected(days)) > 10
    assert injected(days) - named(days) == set()


def test_no_fault_is_invented(days: Days) -> None:
    """But for ``poor_fit`` of air that another fault has mixed, as in test_truth."""
    invented = {x for x in named(days) - injected(days) if x[1] != "poor_fit"}
    assert invented == set()
    for day, flag, chamber in named(days) - injected(days):
        others = {f for d, f, c in injected(days) if (d, c) == (day, chamber)}
        assert any(FLAGS[f].quality in {4, 9} for f in others), (day, flag, chamber)


def test_first_and_last_time_and_count(days: Days) -> None:
    """Held against the truth file: when each fault began, ended, and how often it was."""
    for day, summary in days.days.items():
        for fault in summary.faults:
            for case in fault.cases:
                true = [
                    datetime.fromisoformat(r["at"])
                    for r in days.injected
                    if (local_day(days, r["at"]), r["flag"], r["chamber"])
                    == (day, fault.flag, case.chamber)
                ]
                if not true:
                    continue
                times = sorted(set(true))
                assert case.count == len(times), (day, fault.flag, case)
                near = timedelta(minutes=20)
                assert abs(datetime.fromisoformat(case.first_at) - times[0]) <= near
                assert abs(datetime.fromisoformat(case.last_at) - times[-1]) <= near


def test_a_fault_is_over_once_a_later_closure_is_free_of_it() -> None:
    """And is still so where the last one bears it, or where a gap is the last."""

    def flux(hour: int, flags: str) -> dict[str, object]:
        at = hour * 3600 * SECOND
        return {"chamber": "A", "closed_us": at, "gas": "N2O", "flags": flags}

    gap = {"chamber": "A", "due_us": 9 * 3600 * SECOND, "flags": "lid_stuck_open"}
    fluxes = [flux(1, "slow_lid"), flux(4, "poor_fit"), flux(7, "poor_fit")]

    def over(gaps: list[dict[str, object]]) -> dict[str, bool]:
        return {f.flag: f.cases[0].over for f in faults_of(DayRows(fluxes, gaps))}

    assert over([]) == {"slow_lid": True, "poor_fit": False}
    assert over([gap]) == {"slow_lid": True, "poor_fit": True, "lid_stuck_open": False}


def test_zero_gas_has_no_relative_deviation() -> None:
    rows = [
        {"mid_us": 1, "standard_nmol_mol": 0.0, "value_nmol_mol": 2.0},
        {"mid_us": 2, "standard_nmol_mol": 400.0, "value_nmol_mol": 404.0},
        {"mid_us": 3, "standard_nmol_mol": 400.0, "value_nmol_mol": None},
    ]
    assert deviations(rows) == [(2, pytest.approx(0.01))]


def test_refused_lines_are_told_by_reason(days: Days) -> None:
    """The logger's broken line and its greeting; the other station's loggers wrote none."""
    last = list(days.days.values())[-1]
    reasons = [(r.count, r.source) for r in last.machine.refusals]
    own = days.file.station.id == "vellmark"
    assert reasons == ([(1, "gas_2026-06-16.csv.gz")] * 2 if own else [])
    for text in (as_text(last), as_html(last)):
        assert ("likely cause" in text) == own


def test_a_day_whose_lines_were_all_refused_is_not_good(tmp_path: Path) -> None:
    """A station whose files are not understood must not read as one where all is well."""
    path = tmp_path / "station.toml"
    path.write_text(station_text())
    log = tmp_path / "log.csv"
    lines = [f"2026-02-02 03:00:{i:02d},twelve" for i in range(60)]
    log.write_text("\n".join(["time,n2o", *lines, ""]))
    file = load_station(path)
    replay(file, [log], file.database_url, partial=True)
    with closing(open_store(file.database_url)) as store:
        summary = summarize(StationData.over(file, store), date(2026, 2, 2))
    assert summary.verdict == "act"
    assert "60 lines were refused, most often: n2o: 'twelve' is not a number." in summary.sentence


def test_counts_of_closures(days: Days) -> None:
    """Due is what came and what did not; a gap row is a closure that was due."""
    gap_flags = {"lid_stuck_open", "lid_stuck_closed", "lid_stuck_moving", "no_lid_records"}
    for day, summary in list(days.days.items())[:3]:
        for c in summary.chambers:
            true = {
                r["at"]
                for r in days.injected
                if r["flag"] in gap_flags
                and (local_day(days, r["at"]), r["chamber"]) == (day, c.chamber)
            }
            assert len(c.gaps) == len(true)
            assert c.due - c.got == len(c.gaps)
            assert all(0 <= n <= c.got for n in c.usable.values())


def test_every_form_says_the_same(days: Days, tmp_path: Path) -> None:
    for summary in days.days.values():
        html, text, data = as_html(summary), as_text(summary), json.loads(as_json(summary))
        assert data == summary.as_dict()
        for form in (html, text):
            for f in summary.faults:
                assert f.flag.replace("_", " ") in form
            for t in summary.tasks:
                assert t.where.split(",")[0] in form
            assert "isolate the drive" in form
        assert "http" not in html.replace("http-equiv", "")
        paths = write_summary(summary, tmp_path)
        assert [p.suffix for p in paths] == [".html", ".txt", ".json"]
        assert len(subject(summary)) <= 120


def test_standards_of_the_shared_analyzer(days: Days) -> None:
    """Each standard has a line with its visits and how far off it was shown."""
    station = days.file.station
    wanted = sum(len(a.standards) for a in station.analyzers if a.selector)
    for summary in list(days.days.values())[:3]:
        assert len(summary.standards) == wanted
        assert all(s.visits > 5 for s in summary.standards)
        for s in summary.standards:
            if s.deviation_percent is not None:
                assert abs(s.deviation_percent) < 10


def test_a_day_without_records_is_told(days: Days) -> None:
    """All the closures that the station file expects were due, and none came."""
    summary = summarize(StationData.over(days.file, days.store), date(2026, 5, 1))
    automatic = [c for c in summary.chambers if c.due]
    assert {c.due for c in automatic} == {8} or days.file.station.closure.expected_per_day != 8
    assert summary.verdict == "act"
    assert "Something must be done" in summary.sentence
    assert summary.tasks[0].rank == 1
    assert all(s.words == ["silent"] for s in summary.sensors)


def test_upkeep_by_date(days: Days) -> None:
    """Heights of January are due in May; a chamber that was moved, at once."""
    late = summarize(StationData.over(days.file, days.store), date(2026, 9, 1))
    why = [t.why for t in late.tasks]
    assert any("not measured for over 60 days" in w for w in why)
    first = next(iter(days.days))
    early = summarize(StationData.over(days.file, days.store), date.fromisoformat(first))
    assert not any("height" in t.why for t in early.tasks)
    at = int(datetime.fromisoformat(f"{first}T03:00:00+00:00").timestamp() * 1e6)
    chamber = days.file.station.chambers[0].id
    note = FieldNote(0, at, None, 0, "moved", "R. Tarn", chamber, "", "", None, "to row 7", None)
    keep_note(days.store, days.file.station, note)
    now = summarize(StationData.over(days.file, days.store), date.fromisoformat(first))
    (task,) = [t for t in now.tasks if "moved since" in t.why]
    assert task.where == chamber
    assert now.notes == ["moved: to row 7 (R. Tarn)"]


def test_standards_that_run_out(tmp_path: Path) -> None:
    """By the date in the station file, which does not bear on any flux."""
    path = write_station(shared_analyzer(1, faults=False), tmp_path)
    plain = load_station(path)
    text = path.read_text()
    assert "[[analyzers.standards]]\n" in text
    path.write_text(
        text.replace(
            "[[analyzers.standards]]\n", '[[analyzers.standards]]\nexpires = "2026-04-10"\n', 1
        )
    )
    file = load_station(path)
    assert file.digest == plain.digest
    with closing(open_store(f"sqlite:///{tmp_path / 'x.db'}")) as store:
        data = StationData.over(file, store)

        def why(day: date) -> list[str]:
            return [t.why for t in summarize(data, day).tasks if "standard" in t.where]

        assert not any("2026-04-10" in w for w in why(date(2026, 3, 1)))
        assert "runs out on 2026-04-10" in why(date(2026, 3, 20))
        assert "ran out on 2026-04-10" in why(date(2026, 4, 12))


def test_the_fortnight_before(tmp_path: Path) -> None:
    """On the last of ten days a thermometer has drifted by 3 K, a barometer stands still, and
    the analyzer is silent for hours.
    """
    path = tmp_path / "station.toml"
    path.write_text(station_text())
    file = load_station(path)
    rng = np.random.default_rng(3)
    first = date(2026, 2, 3)
    midnight = int(datetime(2026, 2, 2, 14, tzinfo=UTC).timestamp())
    seconds = np.arange(0, 86_400, 300)
    with closing(open_store(file.database_url)) as store:
        parts = join(file, store)
        data = StationData.over(file, store)
        for d in range(10):
            n = len(seconds)
            warm = 20 + 5 * np.sin(2 * np.pi * seconds / 86_400) + rng.normal(0, 0.2, n)
            columns = {
                "t_1": warm,
                "t_2": warm + rng.normal(0, 0.1, n) + (3.0 if d == 9 else 0.0),
                "p_air": np.full(n, 96.5) if d == 9 else 96.5 + rng.normal(0, 0.02, n),
                "n2o": 330 + rng.normal(0, 0.3, n),
            }
            if d == 9:
                columns["n2o"][100:200] = np.nan
            times = (midnight + d * 86_400 + seconds) * SECOND
            parts.intake.take(tidy("x", times, columns, np.arange(n)))
            day = first + timedelta(days=d)
            summary = summarize(data, day)
            data.kept.put(day, summary.as_dict(), 0)
    words = {s.channel: s.words for s in summary.sensors if s.records}
    assert words == {"t_1": [], "t_2": ["drifted"], "p_air": ["flat"], "n2o": ["silent"]}
    (drifted,) = [s for s in summary.sensors if s.channel == "t_2"]
    assert drifted.drift == pytest.approx(3.0, abs=0.3)
    assert {"t_2", "p_air", "n2o"} <= {t.where for t in summary.tasks}
