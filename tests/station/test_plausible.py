"""Numbers of the station file that cannot be right are refused with the likely unit."""

from collections.abc import Callable
from pathlib import Path

import pytest
from small import own_line_stream, part, station_text, write_log

from stream.cli.command import main
from stream.compute.replay import Pipeline
from stream.errors import CommandError
from stream.station import FieldNote, StationFile, check_note, load_station
from stream.station.checks.plausible import alike, implausible
from stream.store import Store
from stream.store.results.readers import Reader

OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]
POSITIONS = """
[field]
positions = { ridge = 45.0, furrow = 55.0 }
"""
SEASON = """
[season]
start = "2026-05-04"
end = "2026-09-20"
"""


def changed(tmp_path: Path, old: str, new: str, extra: str = "") -> Path:
    text = station_text(extra=extra)
    assert old in text
    path = tmp_path / "station.toml"
    path.write_text(text.replace(old, new))
    return path


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ("height_m = 0.15", "height_m = 152.0", "chambers[0].heights[0].height_m",
         "152 m cannot be right. In mm that would be 0.152 m. Use m. (and 1 more like it)"),
        ("height_m = 0.15", "height_m = 15.2", "chambers[0].heights[0].height_m",
         "15.2 m cannot be right. In cm that would be 0.152 m, in inches 0.3861 m. Use m."),
        ("height_m = 0.15", "height_m = 120", "chambers[0].heights[0].height_m",
         "120 m cannot be right. In mm that would be 0.12 m. Use m."),
        ("area_m2 = 0.25", "area_m2 = 2500.0", "chambers[0].area_m2",
         "2500 m2 cannot be right. In cm2 that would be 0.25 m2. Use m2."),
        ("area_m2 = 0.25", "area_m2 = 25.0", "chambers[0].area_m2",
         "25 m2 cannot be right. In dm2 that would be 0.25 m2. Use m2."),
        ("area_m2 = 0.25", "area_m2 = 0.25\nextra_volume_m3 = 4.0",
         "chambers[0].extra_volume_m3", "In litres that would be 0.004 m3"),
        ("range = [0.0, 20000.0]", "range = [0.0, 20.0]", "channels.n2o.range",
         "excludes outdoor air (337.7 nmol/mol of N2O)"),
        ('unit = "kPa"', 'unit = "kPa"\nrange = [800.0, 1100.0]', "channels.p_air.range",
         "excludes the usual pressure at 100 m (100.1 kPa)"),
        ('[channels.t_1]\nunit = "degC"', '[channels.t_1]\nunit = "degC"\nrange = [250.0, 330.0]',
         "channels.t_1.range", "excludes 15 degC"),
        ("precision = { N2O = 0.3 }", "precision = { N2O = 300.0 }", "analyzers[0].precision.N2O",
         "89 % of outdoor air (337.7)"),
        ('[channels.n2o]\nunit = "nmol/mol"\nrange = [0.0, 20000.0]',
         '[channels.n2o]\nunit = "umol/mol"\nrange = [0.0, 20.0]', "analyzers[0].precision.N2O",
         "In nmol/mol that would be 0.0003 umol/mol."),
        ("precision = { N2O = 0.3 }", "precision = { N2O = 0.00025 }",
         "analyzers[0].precision.N2O",
         "0.00025 nmol/mol is finer than analyzers read outdoor air (337.7). The precision is in"
         " the unit of the channel. In umol/mol that would be 0.25 nmol/mol."),
        ("lag_s = 4.0", 'lag_s = 4.0\nresponse = "none"', "", ""),
    ],
)  # fmt: skip
def test_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, key: str, words: str
) -> None:
    path = changed(tmp_path, old, new)
    code = main(["check", str(path)])
    told = capsys.readouterr().err
    if not key:
        assert (code, told) == (0, "")
        return
    assert code == 2
    assert f"{path}: {key}: " in told
    assert words in told
    log = write_log(own_line_stream(), tmp_path / "incoming" / "a.csv")
    assert main(["replay", str(path), str(log)]) == 2
    assert key in capsys.readouterr().err
    assert not (tmp_path / "small.db").exists(), "a new station is not begun with it"


@pytest.mark.parametrize(
    ("old", "new", "extra", "words"),
    [
        ("area_m2 = 0.25", "area_m2 = 6.0", "", "6 m2 is unusual"),
        ("height_m = 0.15", "height_m = 2.0", "", "2 m is unusual"),
        ("lag_s = 4.0", "lag_s = 240.0", "", "240 s is unusually long"),
        ("precision = { N2O = 0.3 }", "precision = { N2O = 30.0 }", "", "9 % of outdoor air"),
        ("precision = { N2O = 0.3 }", "precision = { N2O = 0.002 }", "", "finer than analyzers"),
        ("max_duration_s = 1200.0", "max_duration_s = 110.0", "", "110 s is short"),
        ('timezone = "Pacific/Guam"', 'timezone = "Pacific/Guam"\nlongitude = 13.4', "",
         "13.4° is 9 h from Pacific/Guam"),
        ("[channels.lid_1]", "[channels.lid_1]\nstates = { shut = 1, lowering = 2 }", "",
         "chambers[0].lid_open: no word in states of the lid's channel stands for 0 (shut = 1,"
         " lowering = 2). Correct lid_open, or add the word"),
        ("[channels.lid_1]", "[channels.lid_1]\nstates = { up = 0, down = -1 }", "",
         "chambers[0].lid_closed: no word in states of the lid's channel stands for 1 (up = 0,"
         " down = -1)"),
        ("elevation_m = 100.0", "elevation_m = 6500.0", "", "In feet that would be 1981 m"),
        ("lag_s", "lag_s", SEASON + 'nitrogen_kg_ha = { "" = 160000.0 }', "is unusual"),
        ("lag_s", "lag_s", SEASON + 'yield_t_ha = { "" = 46000.0 }', "that would be 46 t/ha"),
    ],
)  # fmt: skip
def test_asked(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    old: str,
    new: str,
    extra: str,
    words: str,
) -> None:
    """What is odd may be right: it is asked about until it is confirmed."""
    path = changed(tmp_path, old, new, extra)
    assert main(["check", str(path)]) == 0
    assert words in capsys.readouterr().out
    keys = [f.key for f in implausible(load_station(path).station)]
    assert keys
    path.write_text(path.read_text() + f"\n[checks]\nconfirmed = {keys!r}\n".replace("'", '"'))
    assert main(["check", str(path)]) == 0
    assert "Please check" not in capsys.readouterr().out


@pytest.mark.parametrize("states", ["{ shut = 1, up = 0, lowering = 2 }", '{ "" = 0 }'])
def test_lids_in_words_that_are_whole(tmp_path: Path, states: str) -> None:
    path = changed(tmp_path, "[channels.lid_1]", f"[channels.lid_1]\nstates = {states}")
    assert load_station(path).questions == []


def test_one_word_confirms_it_for_all_chambers(tmp_path: Path) -> None:
    path = changed(tmp_path, "area_m2 = 0.25", "area_m2 = 6.0")
    assert len(load_station(path).questions) == 1
    path.write_text(path.read_text() + '\n[checks]\nconfirmed = ["chambers.area_m2"]\n')
    assert load_station(path).questions == []


@pytest.mark.parametrize(
    ("range_", "words"),
    [
        ("CH4 = [1.0, 2.0]", "closure.start_range.CH4: no analyzer measures it"),
        ("N2O = [400.0, 300.0]", "closure.start_range.N2O: the lower bound must come first"),
    ],
)
def test_start_ranges(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], range_: str, words: str
) -> None:
    path = changed(tmp_path, "bounce_s = 5.0", f"bounce_s = 5.0\nstart_range = {{ {range_} }}")
    assert main(["check", str(path)]) == 2
    assert words in capsys.readouterr().err


def test_shares_in_per_cent(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = changed(tmp_path, "lag_s", "lag_s", POSITIONS)
    assert main(["check", str(path)]) == 2
    assert "45.0 is more than 1; write a share of the area, not %" in capsys.readouterr().err


def test_an_upgrade_never_stops_the_intake(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], open_parts: OpenParts
) -> None:
    """A station that runs with a number that is refused now: its records are taken, its fluxes
    are marked, those of other chambers are not, and it is told.
    """
    batch = own_line_stream()
    half = len(batch) // 2
    first = write_log(part(batch, slice(0, half)), tmp_path / "a.csv")
    later = write_log(part(batch, slice(half, None)), tmp_path / "b.csv")
    path = changed(tmp_path, "lag_s", "lag_s")
    assert main(["replay", str(path), str(first)]) == 0
    text = path.read_text()
    path.write_text(text.replace("height_m = 0.15", "height_m = 15.0", 1))
    capsys.readouterr()
    assert main(["replay", str(path), str(later)]) == 0
    told = capsys.readouterr().err
    assert "15 m cannot be right. In cm that would be 0.15 m" in told
    assert "setup_implausible" in told
    store, _ = open_parts(load_station(path), f"sqlite:///{tmp_path / 'small.db'}")
    rows = [r for r in Reader(store, "small").fluxes() if r["revision"]]
    marked = [r for r in rows if "setup_implausible" in r["flags"]]
    assert {r["chamber"] for r in marked} == {"C1"}
    assert {r["quality"] for r in marked} == {4}
    # What was settled before stays as it was.
    cut = batch.times[half]
    assert all(r["closed_us"] > cut - 900e6 for r in marked)
    assert any("setup_implausible" not in r["flags"] for r in rows if r["chamber"] == "C1")


def test_a_height_in_centimetres_is_no_note(make_station: Callable[..., StationFile]) -> None:
    note = FieldNote(0, 0, None, 0, "height", "me", "C1", "", "", 15.2, "measured", None)
    with pytest.raises(CommandError, match=r"in cm that would be 0\.152 m"):
        check_note(make_station().station, note, 10)


@pytest.mark.parametrize(
    ("used", "names", "asked"),
    [
        ("ch4_a", ["ch4_a", "ch4_b", "ch4_c", "ch4_d"], "ch4_b, ch4_c, ch4_d"),
        ("CO2 sensor 1", ["CO2 sensor 1", "CO2 sensor 2"], "CO2 sensor 2"),
        ("co2a", ["co2a", "co2b"], "co2b"),
        ("gas_a1", ["gas_a1", "gas_a2"], "gas_a2"),
        ("n2o", ["n2o", "ch4", "nh3", "co", "n2o_dry"], ""),
        ("n2o_dry", ["n2o_dry", "n2o_wet", "ch4_dry"], ""),
        ("nh3", ["nh3", "nh4"], ""),
    ],
)
def test_sensors_that_no_analyzer_uses_are_asked_about(
    tmp_path: Path, used: str, names: list[str], asked: str
) -> None:
    """All chambers of an analyzer would be computed from one of them."""
    unused = sorted(set(names) - {used})
    assert alike(used, unused, "N2O" if "n2o" in used else "CO2", {"a1", "a2"}) == (
        asked.split(", ") if asked else []
    )
