"""A station file that says something else than when the records were taken."""

from collections.abc import Callable
from pathlib import Path

import pytest
from small import own_line_stream, station_text, write_log

from stream.cli.command import main
from stream.compute.replay import replay
from stream.errors import CommandError
from stream.ingest.delimited.header import ChannelColumn, find_channels
from stream.station import StationFile, load_station


def test_replay_says_that_stored_closures_stay(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A corrected height changes nothing before reprocess, and a person is told so."""
    station = tmp_path / "station.toml"
    station.write_text(station_text())
    log = write_log(own_line_stream(hours=0.6), tmp_path / "log.csv")
    assert main(["replay", str(station), str(log)]) == 0
    assert "another station file" not in capsys.readouterr().out
    station.write_text(station_text().replace("height_m = 0.15", "height_m = 0.30"))
    assert main(["replay", str(station), str(log)]) == 0
    said = capsys.readouterr().out
    assert "4 stored closures were worked out with another station file" in said
    assert main(["reprocess", str(station)]) == 0
    capsys.readouterr()
    assert main(["replay", str(station), str(log)]) == 0
    assert "another station file" not in capsys.readouterr().out


def test_a_changed_clock_does_not_store_the_same_lines_twice(
    tmp_path: Path, sqlite_url: str
) -> None:
    station = tmp_path / "station.toml"
    station.write_text(station_text())
    log = write_log(own_line_stream(hours=0.6), tmp_path / "log.csv")
    replay(load_station(station), [log], sqlite_url)
    station.write_text(station_text().replace('"+10:00"', '"+09:00"', 1))
    with pytest.raises(CommandError, match="'\\+09:00' now, and was '\\+10:00'"):
        replay(load_station(station), [log], sqlite_url)
    station.write_text(station_text())
    assert replay(load_station(station), [log], sqlite_url).records == 0
    station.write_text(station_text().replace('"+10:00"', '"+09:00"', 1))
    assert replay(load_station(station), [log], f"sqlite:///{tmp_path / 'new.db'}").records


@pytest.mark.parametrize(
    ("header", "found"),
    [
        ("N2O dry [ppb]", 1),
        ("N2O_dry_ppb", 1),
        ("n2o  DRY (ppb)", 1),
        ("N2O dry [ppm]", 1),  # its unit is then held against the channel's
        ("N2O wet [ppb]", None),
        ("N2O", None),
    ],
)
def test_a_column_that_is_written_a_little_differently(header: str, found: int | None) -> None:
    wanted = {"n2o": ChannelColumn("N2O dry [ppb]", "nmol/mol")}
    assert find_channels("x", ["time", header], wanted).get("n2o") == found


def test_the_exact_column_goes_first() -> None:
    wanted = {"n2o": ChannelColumn("N2O [ppb]", "nmol/mol"), "raw": ChannelColumn(None, "nmol/mol")}
    assert find_channels("x", ["N2O (ppb)", "N2O [ppb]", "raw"], wanted) == {"n2o": 1, "raw": 2}


@pytest.mark.parametrize(("clock", "asked"), [("CET", True), ("+01:00", False), ("UTC", False)])
def test_names_that_may_or_may_not_follow_summer_time_are_asked_about(
    make_station: Callable[..., StationFile], tmp_path: Path, clock: str, *, asked: bool
) -> None:
    """The zone database has summer time for CET."""
    station = tmp_path / "station.toml"
    station.write_text(station_text().replace('clock = "+10:00"', f'clock = "{clock}"'))
    questions = load_station(station).questions
    assert any("follows summer time" in q for q in questions) is asked


def test_treatments_that_differ_in_capitals_are_asked_about(tmp_path: Path) -> None:
    station = tmp_path / "station.toml"
    text = station_text()
    for name in ("Urea", "urea"):
        text = text.replace("area_m2 = 0.25\nair", f'area_m2 = 0.25\ntreatment = "{name}"\nair', 1)
    station.write_text(text)
    assert any("differ in capitals" in q for q in load_station(station).questions)
