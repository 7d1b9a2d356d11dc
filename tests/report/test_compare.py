"""Fluxes by hand beside automatic ones, on a simulated field where both are true."""

import csv
from pathlib import Path

import pytest

from stream.cli.command import main
from stream.compute.replay import replay
from stream.demo.by_hand import add_rounds
from stream.demo.scenario import own_line
from stream.demo.write import write_station
from stream.station import load_station

PNG = b"\x89PNG\r\n\x1a\n"


@pytest.fixture(scope="module")
def field(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three days of a station with six chambers by hand beside twelve automatic ones."""
    folder = tmp_path_factory.mktemp("field")
    scenario = own_line(3, faults=False)
    path = write_station(scenario, folder)
    rounds = add_rounds(scenario, folder)
    file = load_station(path)
    replay(file, [folder / "incoming", rounds], file.database_url)
    return folder


def test_both_agree_where_both_are_true(field: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Six chambers on three days: within 5 % of one another, and the statistic says so."""
    assert main(["compare", str(field / "station.toml"), "--out", str(field)]) == 0
    said = capsys.readouterr().out
    assert said.startswith("N2O: 18 pairs on 3 days; hand less automatic ")
    assert "they do not differ beyond chance" in said
    rows = list(csv.DictReader((field / "hand-automatic-N2O.csv").read_text().splitlines()))
    hand = [float(r["hand_nmol_m2_s"]) for r in rows]
    automatic = [float(r["automatic_nmol_m2_s"]) for r in rows]
    assert len(rows) == 18
    assert sum(hand) == pytest.approx(sum(automatic), rel=0.05)
    assert {r["beside"] for r in rows if r["chamber"] == "H1"} == {"A1"}
    picture = field / "hand-automatic-N2O.png"
    before = picture.read_bytes()
    assert before.startswith(PNG)
    assert main(["compare", str(field / "station.toml"), "--out", str(field)]) == 0
    assert picture.read_bytes() == before, "the same data draw the same picture"


def test_a_wrong_standard_is_seen(
    field: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Cylinders whose certificates are a quarter too high make every hand flux so."""
    text = (field / "station.toml").read_text()
    for value in ("340.0", "1000.0", "4000.0"):
        assert f"value = {value}" in text
        text = text.replace(f"value = {value}", f"value = {1.25 * float(value)}")
    wrong = field / "wrong.toml"
    wrong.write_text(text)
    url = f"sqlite:///{tmp_path / 'wrong.db'}"
    file = load_station(wrong)
    replay(file, [field / "incoming", field / "rounds"], url)
    asked = ["compare", str(wrong), "--out", str(tmp_path), "--database", url]
    assert main(asked) == 0
    said = capsys.readouterr().out
    assert "they differ (paired t p = 0.0" in said
    ratio = float(said.split("ratio ")[1].split(":")[0])
    assert ratio == pytest.approx(1.25, abs=0.05)


def test_nothing_to_compare_is_said(
    field: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    station = str(field / "station.toml")
    for more, said in (
        (["--from", "2026-08-01"], "fewer than three good fluxes by hand"),
        (["--gas", "CH4"], "fewer than three good fluxes by hand"),
        (["--within", "0"], "--within: 0 h is not between 0 and 48"),
        (["--out", str(tmp_path / "nowhere")], "no such folder"),
    ):
        code = main(["compare", station, "--out", str(tmp_path), *more])
        assert code == 2
        assert said in capsys.readouterr().err
    plain = tmp_path / "plain.toml"
    text = (field / "station.toml").read_text()
    plain.write_text(text[: text.index("# Chambers beside the automatic")])
    assert main(["compare", str(plain), "--out", str(tmp_path)]) == 2
    assert "no chamber of the station file is sampled by hand" in capsys.readouterr().err
