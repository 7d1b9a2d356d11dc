"""The examples of the handbook's page for notebooks, run as they stand there."""

import re
import runpy
from pathlib import Path

import matplotlib as mpl
import pytest
from api.demo_stations import made
from event_records import CASES, record

from stream.demo.scenario import own_line

PAGE = Path(__file__).parents[2] / "stream" / "handbook" / "in-a-notebook.md"
EXAMPLES = dict(
    re.findall(
        r"^## ([^\n]+)\n(?:(?!^## ).)*?```python\n(.*?)```",
        PAGE.read_text(encoding="utf-8"),
        re.MULTILINE | re.DOTALL,
    )
)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as ``lidstream demo`` leaves it, without its faults."""
    folder = tmp_path_factory.mktemp("notebook")
    made(own_line(2, faults=False), folder / "lidstream-demo" / "vellmark")
    return folder


def test_the_page_has_its_examples() -> None:
    assert list(EXAMPLES) == [
        "A first look",
        "One closure with other settings",
        "Days for a model",
        "Fluxes against rain",
        "A season from your own table",
    ]


@pytest.mark.parametrize("name", EXAMPLES)
def test_an_example_runs_as_it_stands(
    name: str,
    demo: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """By the public names alone: nothing is imported from below ``stream``."""
    monkeypatch.chdir(demo)
    mpl.use("Agg")
    assert "stream." in EXAMPLES[name]
    assert not re.search(r"(from|import) stream\.", EXAMPLES[name])
    if name == "A season from your own table":
        season = record(704, CASES["wet_20"])
        named = {"treatment": {"none": "unfertilized"}}
        season.fluxes.replace(named).to_csv("fluxes.csv", index=False)
        season.weather.rename_axis("day").to_csv("weather.csv")
    before = {p: p.stat().st_mtime_ns for p in (demo / "lidstream-demo").rglob("*")}
    example = tmp_path / "example.py"
    example.write_text(EXAMPLES[name], encoding="utf-8")
    runpy.run_path(str(example))
    from matplotlib import pyplot as plt

    plt.close("all")
    said = capsys.readouterr().out
    assert "Empty DataFrame" not in said
    assert said.count("\n") >= (3 if name == "A season from your own table" else 4)
    assert {p: p.stat().st_mtime_ns for p in (demo / "lidstream-demo").rglob("*")} == before
    if name == "Fluxes against rain":
        assert "12.0" in said
    if name == "A season from your own table":
        assert said.count("season") == 2
    if name == "Days for a model":
        assert len((demo / "n2o-hourly.csv").read_text().splitlines()) > 24
