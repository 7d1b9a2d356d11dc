"""Station files drafted from files: what the samples tell, and what odd files tell.

The samples' own station files, written by the simulation, say what is right; the draft sees
their logger files alone.
"""

import re
import tomllib
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import pytest

from stream.cli.command import main
from stream.compute.replay import replay
from stream.station import load_station
from stream.store import open_store
from stream.store.results.readers import Reader

SAMPLES = Path(__file__).parents[2] / "sample_streams"
QUESTION = re.compile(r'(\w+) = "\? [^"]*"')


def drafted(folder: Path, files: Path, name: str) -> Path:
    path = folder / f"{name}.toml"
    assert main(["draft", str(files), "--out", str(path), "--id", name]) == 0
    return path


def answered(path: Path, true: dict) -> str:
    """The draft with each question answered from the sample's own station file."""
    site, season = true["station"], true["field"]
    analyzer = true["analyzers"][0]
    places = iter(true["chambers"])
    place: dict = {}

    def answer(match: re.Match[str]) -> str:
        key = match[1]
        if key in ("timezone", "clock"):
            value = f'"{site[key]}"'
        elif key in ("elevation_m", "latitude", "longitude"):
            value = str(site[key])
        elif key in ("breath_test", "tape_measured"):
            value = '"2026-06-14"'
        elif key == "positions":
            value = "{ " + ", ".join(f"{k} = {v}" for k, v in season["positions"].items()) + " }"
        elif key in ("basis",):
            value = f'"{analyzer[key]}"'
        elif key in ("flush_s", "lag_s"):
            value = str(analyzer[key])
        elif key in analyzer["gases"]:
            value = str(analyzer["precision"][key])
        elif key == "standards":
            cells = [
                f'{{ port = {s["port"]}, gas = "{s["gas"]}", value = {s["value"]} }}'
                for s in analyzer["standards"]
            ]
            value = f"[ {', '.join(cells)} ]"
        elif key in ("area_m2", "extra_volume_m3"):
            value = str(true["chambers"][0][key])
        elif key == "height_m":
            value = str(place["heights"][0]["height_m"])
        elif key == "port":
            value = str(place["port"])
        else:
            value = f'"{place[key]}"'
        return f"{key} = {value}"

    lines = []
    for line in path.read_text().splitlines():
        if line.startswith("  { id ="):
            place.update(next(places))
            assert f'id = "{place["id"]}"' in line
        lines.append(QUESTION.sub(answer, line))
    return "\n".join(lines) + "\n"


def fluxes(station: Path, files: Path) -> list[dict]:
    file = load_station(station)
    replay(file, [files], file.database_url)
    with closing(open_store(file.database_url)) as store:
        return list(Reader(store, file.station.id).fluxes())


@pytest.mark.parametrize("name", ["vellmark", "serravale"])
def test_the_drafted_file_gives_the_fluxes_of_the_samples_own(name: str, tmp_path: Path) -> None:
    """With its blanks answered: every flux, error, flag and quality, to the bit."""
    files = SAMPLES / name / "incoming"
    own = tmp_path / "own.toml"
    own.write_text((SAMPLES / name / "station.toml").read_text())
    path = drafted(tmp_path, files, name)
    text = answered(path, tomllib.loads(own.read_text()))
    assert '= "? ' not in text
    assert len(text.splitlines()) < 80
    mine = tmp_path / "mine" / "station.toml"
    mine.parent.mkdir()
    mine.write_text(text)
    theirs, ours = fluxes(own, files), fluxes(mine, files)
    assert len(theirs) > 800
    told = ("chamber", "gas", "closed_us", "flux_nmol_m2_s", "flux_se_nmol_m2_s", "quality",
            "flags", "treatment", "position", "detection_limit_nmol_m2_s")  # fmt: skip
    for a, b in zip(theirs, ours, strict=True):
        assert [a.get(k) for k in told] == [b.get(k) for k in told]


def test_check_lists_the_open_questions(tmp_path: Path, capsys) -> None:
    path = drafted(tmp_path, SAMPLES / "vellmark" / "incoming", "vellmark")
    capsys.readouterr()
    assert main(["check", str(path)]) == 2
    lines = capsys.readouterr().err.splitlines()
    asked = path.read_text().count('= "? ')
    assert lines[0].endswith(
        f"{asked} questions are still open; write each answer in place of its question"
    )
    assert len(lines) == asked + 1
    assert any("clock: Offset of the stamps" in line and "+01:00" in line for line in lines)
    assert main(["replay", str(path), str(SAMPLES / "vellmark" / "incoming")]) == 2


ODD = (
    "station log 7;;;;;;;\n"
    "Datum;Uhrzeit;N2O [ppb];CO2 [ppm];Air Temp 1 [°C];Air Temp 2 [°C];Lid 1;Lid 2;Remark\n"
)


def odd_lines() -> str:
    """Two lids that close in turn for five minutes in each half hour, over a day."""
    lines = [ODD.rstrip("\n")]
    for i in range(24 * 360):
        minute = i / 6 % 30
        one = "closed" if minute < 5 else "open"
        two = "closed" if 15 <= minute < 20 else "open"
        n2o = f"{331 + minute / 10:.2f}".replace(".", ",")
        lines.append(
            f"17.05.2026;{i // 360:02d}:{i // 6 % 60:02d}:{i % 6 * 10:02d};{n2o};415,5;"
            f"17,25;18,5;{one};{two};{'dry and windy' if i % 3 else f'seen {i}'}"
        )
    return "\n".join(lines) + "\n"


def test_odd_files_are_drafted_too(tmp_path: Path, capsys) -> None:
    """Lids in words, headers with units and blanks, decimal commas, date and time apart."""
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "log.txt").write_text(odd_lines(), encoding="latin-1")
    (tmp_path / "in" / "README.md").write_text("Chamber 2 was moved in May.\n")
    path = drafted(tmp_path, tmp_path / "in", "odd")
    left = capsys.readouterr().err.splitlines()
    assert len(left) == 1
    assert "left out" in left[0]
    assert "README.md" in left[0]
    found = tomllib.loads(path.read_text())
    assert [c["id"] for c in found["chambers"]] == ["1", "2"]
    assert found["sources"] == [{"kind": "folder", "path": "in", "pattern": "*.txt"}]
    assert found["channels"]["n2o"]["unit"] == "ppb"
    assert found["channels"]["air_temp_{id}"]["unit"] == "degC"
    assert found["chamber_defaults"]["lid_channel"] == "lid_{id}"
    assert found["chamber_defaults"]["air_temperature_channel"] == "air_temp_{id}"
    assert found["chamber_defaults"]["lid_closed"] == 1
    assert found["closure"]["expected_per_day"] == 48
    assert "Remark" not in str(found["channels"])
    text = path.read_text()
    answers = {
        "timezone": '"UTC"', "clock": '"+01:00"', "plot": '"1"', "treatment": '"bare"',
        "position": '"flat"', "height_m": "0.15", "elevation_m": "20.0", "basis": '"dry"',
        "latitude": "52.0", "longitude": "9.0", "breath_test": "2026-06-14",
        "tape_measured": "2026-06-14",
        "lag_s": "0.0", "N2O": "0.3", "CO2": "0.2", "area_m2": "0.25", "extra_volume_m3": "0.0",
        "positions": "{ flat = 1.0 }",
    }  # fmt: skip
    text = QUESTION.sub(lambda m: f"{m[1]} = {answers[m[1]]}", text)
    path.write_text(text)
    rows = fluxes(path, tmp_path / "in")
    assert len({r["closed_us"] for r in rows}) > 90
    good = [r for r in rows if r["gas"] == "N2O" and r["quality"] == 1]
    assert len(good) > 80


def test_what_cannot_be_drafted_is_one_line(tmp_path: Path, capsys) -> None:
    (tmp_path / "a.csv").write_text("Dear diary\nit rained\n")
    for paths, words in (
        ([tmp_path / "gone.csv"], "no such file or folder"),
        ([tmp_path / "a.csv"], "a.csv: "),
    ):
        assert main(["draft", *map(str, paths)]) == 2
        err = capsys.readouterr().err.splitlines()
        assert len(err) == 1
        assert words in err[0]
    there = tmp_path / "station.toml"
    there.write_text("mine")
    assert main(["draft", str(tmp_path / "a.csv"), "--out", str(there)]) == 2
    assert there.read_text() == "mine"


def test_a_file_with_two_columns_of_times_is_drafted_with_a_question(tmp_path: Path) -> None:
    rows = [f"{h:02}:{m:02}" for h in range(9) for m in (0, 30)]
    lines = [f"20.08.2026 {a};20.08.2026 {b};412,{k:02}" for k, (a, b) in enumerate(pairwise(rows))]
    (tmp_path / "log.csv").write_text("\n".join(["From;To;CO2 [ppm]", *lines, ""]))
    found = tomllib.loads(drafted(tmp_path, tmp_path / "log.csv", "means").read_text())
    (source,) = found["sources"]
    assert "From and To" in source["time_column"]
    assert list(found["channels"]) == ["co2"]


def test_columns_of_one_name_are_left_out_and_listed(tmp_path: Path) -> None:
    lines = [f"2026-08-20 10:{k:02}:00,Note,412.{k:02},again" for k in range(60)]
    (tmp_path / "log.csv").write_text("\n".join(["time,Note,CO2 [ppm],Note", *lines, ""]))
    text = drafted(tmp_path, tmp_path / "log.csv", "noted").read_text()
    assert list(tomllib.loads(text)["channels"]) == ["co2"]
    assert "# Left out: Note (stands 2 times)" in text
