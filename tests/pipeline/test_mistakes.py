"""Mistakes made on both kinds of station: refused, flagged with the right cause, told as a
task, or on the handbook's list of what no record can tell. None passes in silence.
"""

import re
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from mistakes import MISTAKES, Columns, Mistake

from stream.cli import main
from stream.demo.scenario import Scenario, own_line, shared_analyzer
from stream.demo.write import simulate, station_text
from stream.field.desk import Desk
from stream.pipeline.replay import join
from stream.records import SECOND, tidy
from stream.station import load_station
from stream.store import open_store
from stream.summary.make import summarize

ROOT = Path(__file__).parents[2]
DAYS = 4
EVERY = 5
"""Records a second of the simulation are thinned to."""
SCENARIOS: dict[str, Scenario] = {
    "own": own_line(days=DAYS, faults=False),
    "shared": replace(shared_analyzer(days=DAYS, faults=False), seed=162),
}


@pytest.fixture(scope="module")
def made() -> dict[str, Columns]:
    """The records of both stations."""
    found: dict[str, Columns] = {}
    for kind, scenario in SCENARIOS.items():
        simulation = simulate(scenario)
        columns: Columns = {}
        for table, every in ((simulation.fast, EVERY), (simulation.slow, 1)):
            for name, values in table.columns.items():
                rounded = np.round(values[::every], table.digits.get(name, 0))
                columns[name] = (table.time_s[::every], rounded)
        found[kind] = columns
    return found


def outcome(
    scenario: Scenario, text: str, columns: Columns, folder: Path
) -> tuple[list[dict[str, object]], list[str], Path]:
    """Flux rows, tasks of all mornings, and the station file."""
    path = folder / "station.toml"
    path.write_text(text)
    file = load_station(path)
    with closing(open_store(file.database_url)) as store:
        parts = join(file, store)
        groups: dict[int, list[str]] = {}
        for name, (t, _) in columns.items():
            groups.setdefault(len(t) * 10**6 + int(t[0]) % 10**6, []).append(name)
        for i, names in enumerate(groups.values()):
            t = columns[names[0]][0]
            values = {name: columns[name][1] for name in names}
            parts.intake.take(tidy(f"{i}.csv", t * SECOND, values, np.arange(2, len(t) + 2)))
        parts.settlement.settle()
        desk = Desk.over(file, store)
        rows = [r for r in desk.reader.fluxes() if r["revision"]]
        first = scenario.start.date()
        tasks = []
        for k in range(1, DAYS):
            for t in summarize(desk, first + timedelta(days=k)).tasks:
                tasks.append(f"{t.rank} | {t.where} | {t.what} | {t.why}")
    return rows, tasks, path


CASES = [(m, k) for m in MISTAKES for k in sorted(m.kinds)]


@pytest.mark.parametrize(("mistake", "kind"), CASES, ids=[f"{m.name}-{k}" for m, k in CASES])
def test_no_mistake_passes_in_silence(
    made: dict[str, Columns],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    mistake: Mistake,
    kind: str,
) -> None:
    scenario = SCENARIOS[kind]
    text = mistake.file(station_text(scenario))
    if mistake.refused or mistake.asked:
        path = tmp_path / "station.toml"
        path.write_text(text)
        code = main(["check", str(path)])
        said = capsys.readouterr()
        if mistake.refused:
            assert code == 2
            assert mistake.refused in said.err
        else:
            assert code == 0
            assert mistake.asked in said.out
        return
    columns = dict(made[kind])
    mistake.records(columns)
    rows, tasks, _ = outcome(scenario, text, columns, tmp_path)
    assert len(rows) > 200
    if mistake.listed:
        page = (ROOT / "stream" / "handbook" / "what-no-record-tells.md").read_text()
        assert mistake.listed in page
        return
    if mistake.flag:
        pattern = re.compile(rf"\b({mistake.flag})\b")
        touched = [r for r in rows if r["gas"] in mistake.gases and r["closed_us"] > 0]
        marked = [r for r in touched if pattern.search(str(r["flags"]))]
        assert len(marked) > mistake.share * len(touched)
        if mistake.flag != "pressure_assumed":
            assert not [r for r in marked if r["quality"] == 1]
        if mistake.gases != {"N2O", "CH4", "CO2"}:
            spared = [r for r in rows if r["gas"] not in mistake.gases]
            assert not [r for r in spared if pattern.search(str(r["flags"]))]
    if mistake.task:
        assert any(mistake.task in t for t in tasks), tasks


@pytest.mark.parametrize("kind", ["own", "shared"])
def test_nothing_is_said_of_a_station_without_mistakes(
    made: dict[str, Columns], tmp_path: Path, kind: str
) -> None:
    scenario = SCENARIOS[kind]
    rows, tasks, path = outcome(scenario, station_text(scenario), made[kind], tmp_path)
    flags = {f for r in rows for f in str(r["flags"]).split()}
    assert not {f for f in flags if "implausible" in f or f in {"toggling", "co2_falls_in_dark"}}
    assert [t for t in tasks if "headspace height" not in t] == []
    assert load_station(path).refused == load_station(path).questions == []
