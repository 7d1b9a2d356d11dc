"""A new model is one file and one line: check, fit, choice, export and page take it from there."""

import csv
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from small import own_line_stream, station_text

import stream
from stream.times import rfc3339

ADDED = '''\
"""The saturating curve under another name."""

from dataclasses import replace

from stream.science.models import saturating


def fit(segments, *, correlated=True):
    return replace(saturating.fit(segments, correlated=correlated), model="twin")


MODEL = replace(saturating.MODEL, name="twin", label="a twin of the curve", fit=fit)
'''
LOOK = """\
import contextlib, csv, json, sys
from datetime import datetime
from pathlib import Path
from page_client import alone
from stream.cli.command import main
from stream.report.methods import methods_paragraph
from stream.station import load_station

with contextlib.redirect_stdout(sys.stderr):
    for verb, *more in (
        ["check"],
        ["replay", "log.csv"],
        ["export", "fluxes", "--out", "fluxes.csv"],
    ):
        assert main([verb, "station.toml", *more]) == 0, verb
with open("fluxes.csv") as lines:
    row = next(r for r in csv.DictReader(lines) if r["model"] == "twin")
file = load_station(Path("station.toml"))
path = f"/{row['chamber']}/{round(datetime.fromisoformat(row['closed_at']).timestamp() * 1e6)}"
with alone(file, file.database_url) as someone:
    answers = [someone.ask("GET", prefix + path) for prefix in ("/closure", "/data/closure")]
print(json.dumps([methods_paragraph(file), *([status, text] for status, text, _ in answers)]))
"""
"""All that is asked of the added model, in one process: each would load the package anew."""


@pytest.fixture(scope="module")
def tried(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A station whose file names the added model, with the package that has it."""
    folder = tmp_path_factory.mktemp("added")
    package = folder / "code" / "stream"
    # With the compiled kernels, which know their source by its time.
    shutil.copytree(Path(stream.__file__).parent, package)
    (package / "science" / "models" / "twin.py").write_text(ADDED)
    register = package / "science" / "models" / "__init__.py"
    text = register.read_text()
    assert text.count('_FILES: Final = ("linear"') == 1
    register.write_text(
        text.replace('_FILES: Final = ("linear"', '_FILES: Final = ("twin", "linear"')
    )
    names = 'candidates = ["linear", "twin", "saturating"]'
    (folder / "station.toml").write_text(
        station_text(extra=f'[models]\n{names}\n[database]\nurl = "sqlite:///small.db"')
    )
    batch = own_line_stream()
    with (folder / "log.csv").open("w", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(["time", *batch.channels])
        for at, values in zip(batch.times.tolist(), batch.values.tolist(), strict=True):
            writer.writerow([rfc3339(at), *("" if v != v else repr(v) for v in values)])
    (folder / "look.py").write_text(LOOK)
    (folder / "found.json").write_text(_run(folder, "look.py"))
    return folder


def _run(folder: Path, *arguments: str) -> str:
    tests = Path(__file__).parents[1] / "support"
    path = os.pathsep.join([str(folder / "code"), str(tests)])
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=folder, env={**os.environ, "PYTHONPATH": path}, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_it_is_fitted_chosen_and_exported(tried: Path) -> None:
    """Whatever the saturating curve has, its twin has; listed first, it is the one chosen."""
    with (tried / "fluxes.csv").open() as stream_:
        rows = list(csv.DictReader(stream_))
    assert len(rows) > 5
    for kind in ("flux_nmol_m2_s", "flux_se_nmol_m2_s", "status"):
        assert [r[f"{kind}_twin"] for r in rows] == [r[f"{kind}_saturating"] for r in rows]
    assert any(float(r["flux_nmol_m2_s_twin"] or 0) > 0 for r in rows)
    assert "twin" in {r["model"] for r in rows} <= {"twin", "linear", ""}
    about = json.loads((tried / "fluxes.datapackage.json").read_text())
    fields = {f["name"]: f for f in about["resources"][0]["schema"]["fields"]}
    assert fields["flux_nmol_m2_s_twin"]["unit"] == "nmol m-2 s-1"
    assert "twin" in fields["flux_nmol_m2_s_twin"]["description"]


def test_the_page_and_the_methods_section_speak_of_it(tried: Path) -> None:
    methods, page, data = json.loads((tried / "found.json").read_text())
    assert "a twin of the curve" in methods
    assert page[0] == data[0] == 200
    assert "twin (chosen)" in page[1]
    curves = json.loads(data[1])["gases"]["N2O"]["curves"]
    assert curves["twin"]["y"] == curves["saturating"]["y"]
    assert curves["twin"]["y"][-1] > curves["twin"]["y"][0]
