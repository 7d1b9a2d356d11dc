"""The season report: what it says is what was computed, and it opens without anything else."""

import base64
import csv
import re
from pathlib import Path

import pytest
import seasons
from pypdf import PdfReader

from stream import __version__
from stream.cli.command import main
from stream.compute.replay import replay
from stream.demo.scenario import own_line
from stream.demo.write import write_station
from stream.report.methods import methods_paragraph
from stream.report.season import _number
from stream.station import load_station


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, str]:
    """Folder, HTML and text of the PDF of a short season."""
    folder = tmp_path_factory.mktemp("report")
    path = write_station(own_line(4, faults=False), folder)
    text = path.read_text() + '[[events]]\nkind = "fertilizer"\nday = "2026-06-15"\n'
    path.write_text(
        text.replace("[models]", "[field]\n[models]") if "[field]" not in text else text
    )
    file = load_station(path)
    replay(file, [folder / "incoming"], file.database_url)
    asked = ["report", str(path), "--from", "2026-06-15", "--to", "2026-06-17"]
    assert main([*asked, "--out", str(folder)]) == 0
    season = ["export", str(path), "season", "--from", "2026-06-15", "--to", "2026-06-17"]
    assert main([*season, "--out", str(folder / "season.csv")]) == 0
    html = (folder / "season-2026-06-15-2026-06-17.html").read_text()
    pdf = PdfReader(folder / "season-2026-06-15-2026-06-17.pdf")
    return folder, html, "\n".join(page.extract_text() for page in pdf.pages)


def test_totals_are_those_of_the_export(pages: tuple[Path, str, str]) -> None:
    """Every treatment's total in the CSV stands in both, to three digits."""
    folder, html, pdf = pages
    rows = list(csv.DictReader((folder / "season.csv").read_text().splitlines()))
    treatments = [r for r in rows if r["level"] == "treatment"]
    assert len(treatments) == 6
    for r in treatments:
        total = _number(float(r["total_kg_ha"]))
        assert f">{total} ± " in html
        assert total in pdf.replace("\n", " ")
        if r["emission_factor_percent"]:
            assert _number(float(r["emission_factor_percent"])) in html


def test_it_opens_without_anything_else(pages: tuple[Path, str, str]) -> None:
    """Nothing is loaded from outside; every figure is in it and says what it shows."""
    _, html, _ = pages
    assert not re.findall(r'(?:src|href)="(?!data:)', html)
    figures = re.findall(r'<img src="data:image/png;base64,([^"]+)" alt="([^"]+)"', html)
    assert len(figures) == 8
    for data, alt in figures:
        assert base64.b64decode(data).startswith(b"\x89PNG")
        assert len(alt) > 20


def test_methods_can_be_cited(pages: tuple[Path, str, str]) -> None:
    folder, html, pdf = pages
    file = load_station(folder / "station.toml")
    for text in (html, " ".join(pdf.split())):
        assert f"lidstream {__version__}" in text
        assert file.digest in text
    said = methods_paragraph(file)
    for words in ("12 automatic chambers of 0.25 m²", "first 30 s after closing", "an exponential"):
        assert words in said
    assert "Season totals" not in said


def test_the_paragraph_follows_the_station_file(tmp_path: Path) -> None:
    path = tmp_path / "season.toml"
    text = seasons.station_text().replace("[field]", '[models]\ncandidates = ["linear"]\n[field]')
    path.write_text(text)
    said = methods_paragraph(load_station(path))
    assert "fitted by a line" in said
    assert "parabola" not in said
    assert "Mole fractions were recorded dry." in said


def test_numbers_as_people_read_them() -> None:
    cases = {
        0.23164: "0.232",
        -0.066212: "−0.0662",
        1371.2: "1371",
        0.0: "0.00",
        6.1e-05: "6.1e−05",
    }
    assert {v: _number(v) for v in cases} == cases


def test_a_season_without_fluxes_is_said(
    pages: tuple[Path, str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, _, _ = pages
    station = str(folder / "station.toml")
    asked = ["report", station, "--from", "2026-07-01", "--to", "2026-07-05"]
    assert main([*asked, "--out", str(tmp_path)]) == 2
    assert "no usable flux from 2026-07-01 to 2026-07-05" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
