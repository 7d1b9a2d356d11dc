"""Tables that chambers share: the short file is the long one, and is told of as it is written."""

from pathlib import Path

import pytest

from stream.errors import StationFileError
from stream.station import load_station

HEAD = """
[station]
id = "short"
clock = "+01:00"
[[sources]]
kind = "folder"
path = "incoming"
[channels.n2o]
unit = "nmol/mol"
[channels.p_air]
unit = "hPa"
"""
TAIL = """
[[analyzers]]
id = "laser"
gases = { N2O = "n2o" }
basis = "dry"
"""
SHORT = (
    """
chambers = [
  { id = "A1", position = "ridge", heights = [
    { from = "2026-05-04T00:00:00+02:00", height_m = 0.15 } ] },
  { id = "A2", position = "furrow", area_m2 = 0.3, heights = [
    { from = "2026-05-04T00:00:00+02:00", height_m = 0.16 } ] },
]
"""
    + HEAD
    + """
[channels."lid_{id}"]
unit = "1"
column = "Lid {ID}"
[channels."t_{id}"]
unit = "degC"
[chamber_defaults]
analyzer = "laser"
area_m2 = 0.25
lid_channel = "lid_{id}"
air_temperature_channel = "t_{id}"
pressure_channel = "p_air"
[field]
positions = { ridge = 0.5, furrow = 0.5 }
"""
    + TAIL
)
OWN_ANALYZER = """
[[analyzers]]
id = "laser_a1"
gases = { N2O = "n2o" }
basis = "dry"
lag_s = 7.0
[[analyzers]]"""
LONG = (
    HEAD
    + """
[channels.lid_a1]
unit = "1"
[channels.t_a1]
unit = "degC"
[channels.lid_a2]
unit = "1"
[channels.t_a2]
unit = "degC"
[field]
positions = { ridge = 0.5, furrow = 0.5 }
[[chambers]]
id = "A1"
analyzer = "laser"
area_m2 = 0.25
lid_channel = "lid_a1"
air_temperature_channel = "t_a1"
pressure_channel = "p_air"
position = "ridge"
heights = [{ from = "2026-05-04T00:00:00+02:00", height_m = 0.15 }]
[[chambers]]
id = "A2"
analyzer = "laser"
area_m2 = 0.3
lid_channel = "lid_a2"
air_temperature_channel = "t_a2"
pressure_channel = "p_air"
position = "furrow"
heights = [{ from = "2026-05-04T00:00:00+02:00", height_m = 0.16 }]
"""
    + TAIL
)


def load(tmp_path: Path, text: str):
    path = tmp_path / "station.toml"
    path.write_text(text)
    return load_station(path)


def faults(tmp_path: Path, text: str) -> list[str]:
    with pytest.raises(StationFileError) as error:
        load(tmp_path, text)
    return [line.split("station.toml: ", 1)[1] for line in error.value.faults]


def test_the_short_file_is_the_long_one(tmp_path: Path) -> None:
    """The same station but for how columns are found, which does not change a flux."""
    short, long = load(tmp_path, SHORT), load(tmp_path, LONG)
    assert short.digest == long.digest
    assert short.station.chambers == long.station.chambers
    assert set(short.station.channels) == set(long.station.channels)
    assert short.station.channels["lid_a2"].column == "Lid A2"


def test_what_a_chamber_or_channel_says_itself_stands(tmp_path: Path) -> None:
    own = '[channels.t_a2]\nunit = "K"\n[chamber_defaults]'
    station = load(tmp_path, SHORT.replace("[chamber_defaults]", own)).station
    assert [c.area_m2 for c in station.chambers] == [0.25, 0.3]
    assert (station.channels["t_a1"].unit, station.channels["t_a2"].unit) == ("degC", "K")


def test_a_chamber_may_stand_apart(tmp_path: Path) -> None:
    apart = SHORT.replace("area_m2 = 0.3,", "area_m2 = 0.3, defaults = false,")
    assert set(faults(tmp_path, apart)) >= {
        "chambers[1].analyzer: missing; it must be given",
    }


def test_a_fault_that_chambers_share_is_told_once(tmp_path: Path) -> None:
    wrong = SHORT.replace('lid_channel = "lid_{id}"', 'lid_chanel = "lid_{id}"')
    told = [line for line in faults(tmp_path, wrong) if "chanel" in line]
    assert told == ["chamber_defaults.lid_chanel: unknown key; did you mean 'lid_channel'?"]
    wrong = SHORT.replace('pressure_channel = "p_air"', 'pressure_channel = "air"')
    assert faults(tmp_path, wrong) == [
        "chamber_defaults.pressure_channel: no channel 'air' is defined;"
        " add [channels.air] with its unit, or write 'p_air' where that is meant"
    ]


def test_open_questions_are_told_before_anything_else(tmp_path: Path) -> None:
    asked = SHORT.replace("area_m2 = 0.25", 'area_m2 = "? How large is a collar [m2]?"')
    assert faults(tmp_path, asked.replace('basis = "dry"', "")) == [
        "1 question is still open; write each answer in place of its question",
        "chamber_defaults.area_m2: How large is a collar [m2]?",
    ]


def test_an_analyzer_of_each_chamber_is_written_once(tmp_path: Path) -> None:
    short = SHORT.replace('analyzer = "laser"', 'analyzer = "laser_{id}"')
    short = short.replace('id = "laser"', 'id = "laser_{id}"')
    station = load(tmp_path, short).station
    assert [a.id for a in station.analyzers] == ["laser_a1", "laser_a2"]
    assert [c.analyzer for c in station.chambers] == ["laser_a1", "laser_a2"]
    wrong = short.replace('basis = "dry"', 'basis = "damp"')
    told = [line for line in faults(tmp_path, wrong) if "damp" in line]
    assert len(told) == 1
    assert told[0].startswith("analyzers[0].basis: ")
    own = short.replace("[[analyzers]]", OWN_ANALYZER, 1)
    assert [a.basis for a in load(tmp_path, own).station.analyzers] == ["dry", "dry"]
    assert [a.lag_s for a in load(tmp_path, own).station.analyzers] == [7.0, 0.0]
