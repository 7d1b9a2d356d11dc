"""Mistakes made on both kinds of station: refused, flagged with the right cause, told as a
task, or on the handbook's list of what no record can tell. None passes in silence.
"""

import re
from pathlib import Path

import pytest
from mistakes import MISTAKES, Columns, Mistake
from thinned import SCENARIOS, columns_of, outcome, tasks_of

from stream.cli.command import main
from stream.demo.write import station_text
from stream.station import load_station

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def made() -> dict[str, Columns]:
    """The records of both stations."""
    return {kind: columns_of(kind) for kind in SCENARIOS}


CASES = [(m, k) for m in MISTAKES for k in sorted(m.kinds)]


@pytest.mark.parametrize(("mistake", "kind"), CASES, ids=[f"{m.name}-{k}" for m, k in CASES])
def test_no_mistake_passes_in_silence(
    made: dict[str, Columns],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    mistake: Mistake,
    kind: str,
) -> None:
    text = mistake.file(station_text(SCENARIOS[kind]))
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
    if mistake.listed:
        assert mistake.listed in (ROOT / "stream/handbook/what-no-record-tells.md").read_text()
        return
    rows, days = outcome(kind, text, columns, tmp_path, mornings=1)
    tasks = tasks_of(days)
    assert len(rows) > 200
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
        assert any(re.search(mistake.task, t) for t in tasks), tasks


@pytest.mark.parametrize("kind", ["own", "shared"])
def test_nothing_is_said_of_a_station_without_mistakes(
    made: dict[str, Columns], tmp_path: Path, kind: str
) -> None:
    rows, days = outcome(kind, station_text(SCENARIOS[kind]), made[kind], tmp_path)
    tasks, path = tasks_of(days), tmp_path / "station.toml"
    flags = {f for r in rows for f in str(r["flags"]).split()}
    assert not {f for f in flags if "implausible" in f or f in {"toggling", "co2_falls_in_dark"}}
    assert [t for t in tasks if "headspace height" not in t] == []
    assert load_station(path).refused == load_station(path).questions == []
