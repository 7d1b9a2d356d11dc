"""Drafts of loggers that write numbers, zones and sensors for which no name tells the chamber.

Files are written with ``csv`` and arithmetic alone, from a small truth: each chamber's gas
rises by a known slope while the lid is closed.
"""

import csv
import re
import tomllib
from collections import defaultdict
from collections.abc import Callable
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from stream.cli.command import main
from stream.compute.replay import replay
from stream.station import load_station
from stream.store import open_store
from stream.store.results.readers import Reader

QUESTION = re.compile(r'(\w+) = "\? [^"]*"')
ANSWERS = {
    "timezone": '"UTC"', "clock": '"Europe/Copenhagen"', "plot": '"1"', "treatment": '"bare"',
    "position": '"flat"', "height_m": "0.15", "elevation_m": "20.0", "basis": '"dry"',
    "latitude": "55.0", "longitude": "9.0", "breath_test": "2026-06-14",
    "tape_measured": "2026-06-14", "lag_s": "0.0", "N2O": "0.3", "CO2": "0.2",
    "area_m2": "0.25", "extra_volume_m3": "0.0", "positions": "{ flat = 1.0 }",
    "soil_temperature_channel": '"soil_t_west"', "soil_moisture_channel": '"vwc"',
    "lid_channel": '"lid_{id}"',
}  # fmt: skip
GAS_CONSTANT = 8.314462618
"""[J mol⁻¹ K⁻¹] CODATA 2018, exact."""
CHAMBERS = 12
SLOPE = 0.02
"""N2O of chamber 1 [nmol mol⁻¹ s⁻¹]; chamber n has n times as much."""
START = datetime(2026, 7, 14, 6)  # noqa: DTZ001 - on the wall of the logger

Row = dict[str, object]
Cell = Callable[[int, int], object]
"""Second and number of the closed chamber, 0 for none → what the logger writes."""


def closed_at(second: int) -> int:
    """Number of the closed chamber: six minutes each, in turn, with a pause between."""
    return second // 600 % CHAMBERS + 1 if 150 <= second % 600 < 510 else 0


def write(
    path: Path, more: dict[str, Cell], *, hours: float = 12, air: str = "T{n:02d} [°C]"
) -> None:
    """A log of N2O and CO2, of air temperatures and of what a test adds."""
    path.parent.mkdir(exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as out:
        table = csv.writer(out)
        airs = [air.format(n=n) for n in range(1, CHAMBERS + 1)] if "{" in air else [air]
        table.writerow(["Time", "N2O [ppb]", "CO2 [ppm]", "p [hPa]", *airs, *more])
        for s in range(0, round(hours * 3600), 10):
            n, since = closed_at(s), s % 600 - 150
            noise = (s // 10 * 7919 % 13 - 6) / 20
            n2o, co2 = 332 + noise, 420 + noise / 2
            if n:
                n2o, co2 = n2o + SLOPE * n * since, co2 + 0.1 * since
            at = START + timedelta(seconds=s)
            cells = [f"{at:%Y-%m-%d %H:%M:%S}", f"{n2o:.3f}", f"{co2:.3f}", "1000.0"]
            cells += ["18.50"] * len(airs)
            table.writerow([*cells, *(cell(s, n) for cell in more.values())])


def draft(folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[Path, dict, list[str]]:
    """The drafted file, as TOML, and what ``check`` asks."""
    path = folder / "station.toml"
    assert main(["draft", str(folder / "in"), "--out", str(path), "--id", "turns"]) == 0
    capsys.readouterr()
    main(["check", str(path)])
    asked = capsys.readouterr().err.splitlines()
    assert len(path.read_text().splitlines()) < 80
    return path, tomllib.loads(path.read_text()), asked


def fluxes(path: Path, **answers: str) -> list[dict]:
    known = {**ANSWERS, **answers}
    path.write_text(QUESTION.sub(lambda m: f"{m[1]} = {known[m[1]]}", path.read_text()))
    file = load_station(path)
    replay(file, [path.parent / "in"], file.database_url)
    with closing(open_store(file.database_url)) as store:
        return list(Reader(store, file.station.id).fluxes())


def hold_against_the_truth(rows: list[dict]) -> None:
    """Ideal gas: flux = slope · V / A · p / (R · T), V / A the height of 0.15 m."""
    found = defaultdict(list)
    for row in rows:
        if row["gas"] == "N2O":
            assert row["quality"] == 1, row["flags"]
            found[int(row["chamber"])].append(row["flux_nmol_m2_s"])
    assert sorted(found) == list(range(1, CHAMBERS + 1))
    for n, values in found.items():
        assert len(values) == 6
        true = SLOPE * n * 0.15 * 100_000 / (GAS_CONSTANT * (273.15 + 18.5))
        assert sum(values) / len(values) == pytest.approx(true, rel=0.03)


SOIL: dict[str, Cell] = {
    "Soil T west [°C]": lambda s, n: f"{14 + s / 40_000:.2f}",
    "Soil T east [°C]": lambda s, n: f"{15 + s / 40_000:.2f}",
    "VWC [m3/m3]": lambda s, n: "0.251",
}


@pytest.mark.parametrize(
    ("header", "cell", "states"),
    [
        ("Chamber closed", lambda s, n: n, {}),
        ("Kammer zu", lambda s, n: f"{n:.1f}", {}),
        ("active", lambda s, n: n or "", {"": 0}),
        ("Lid", lambda s, n: n or "NAN", {"nan": 0}),
        ("state", lambda s, n: n or "none", {"none": 0}),
    ],
    ids=["zero", "decimals", "nothing", "no-value", "word"],
)
def test_twelve_chambers_in_one_column(
    header: str, cell: Cell, states: dict, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The drafted file, its blanks answered, gives each chamber its own fluxes."""
    write(tmp_path / "in" / "a.csv", {header: cell, "TZ": lambda s, n: "CEST", **SOIL})
    path, found, asked = draft(tmp_path, capsys)
    assert [c["lid_closed"] for c in found["chambers"]] == list(range(1, CHAMBERS + 1))
    assert [c["id"] for c in found["chambers"]] == [f"{n:02d}" for n in range(1, CHAMBERS + 1)]
    lid = found["channels"]["lid_{id}"]
    assert lid == {"unit": "1", "column": header} | ({"states": states} if states else {})
    assert found["chamber_defaults"]["air_temperature_channel"] == "t{id}"
    assert found["closure"]["expected_per_day"] == 12
    assert any("clock: The column TZ says CEST" in line for line in asked)
    rows = fluxes(path)
    hold_against_the_truth(rows)
    # 06:00 CEST is 04:00 UTC, and the first lid closes 150 s later.
    first = min(row["closed_us"] for row in rows)
    assert first == round(datetime.fromisoformat("2026-07-14T04:02:30Z").timestamp() * 1e6)
    assert {row["soil_temperature_c"] is not None for row in rows} == {True}


def test_a_valve_that_says_which_chamber_is_measured(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No lid is recorded: whether lids follow the valve is asked."""
    valve: Cell = lambda s, n: s // 600 % CHAMBERS + 1  # noqa: E731 - never at rest
    write(tmp_path / "in" / "a.csv", {"Valve": valve})
    path, found, asked = draft(tmp_path, capsys)
    assert [c["lid_closed"] for c in found["chambers"]] == list(range(1, CHAMBERS + 1))
    assert "port_channel" not in found["analyzers"][0]
    assert any("Is a lid closed exactly while Valve shows its number?" in line for line in asked)
    assert {row["chamber"] for row in fluxes(path)} == {f"{n:02d}" for n in range(1, CHAMBERS + 1)}


def test_a_valve_beside_a_column_of_lids(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    more: dict[str, Cell] = {"Valve": lambda s, n: s // 60 % 4 + 1, "Closed": lambda s, n: n}
    write(tmp_path / "in" / "a.csv", more)
    _, found, asked = draft(tmp_path, capsys)
    assert found["analyzers"][0]["port_channel"] == "valve"
    assert found["channels"]["lid_{id}"]["column"] == "Closed"
    assert sum("port: port of the selector valve" in line for line in asked) == CHAMBERS


@pytest.mark.parametrize(
    "cell",
    [
        lambda s, n: round(18 + s / 9000),  # whole degrees
        lambda s, n: s // 3600 % 24,  # the hour
        lambda s, n: s // 15,  # a record number
        lambda s, n: (s // 15 * 7919 % 31 == 0) + (s // 15 * 104729 % 97 == 0),  # tips of a gauge
    ],
    ids=["degrees", "hour", "count", "tips"],
)
def test_numbers_that_are_no_chambers(
    cell: Cell, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write(tmp_path / "in" / "a.csv", {"x": cell})
    path, found, _ = draft(tmp_path, capsys)
    assert found["chambers"].startswith("? Which chambers are there?")
    assert re.search(r"# Left out: .*\bx\b", path.read_text())


def test_sensors_are_asked_about(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    more = {"Closed": lambda s, n: n, **SOIL, "Rain [mm]": lambda s, n: 0.2 * (s == 3600)}
    write(tmp_path / "in" / "a.csv", more, air="Air T [°C]")
    path, found, asked = draft(tmp_path, capsys)
    defaults = found["chamber_defaults"]
    assert "soil_t_west, soil_t_east?" in defaults["soil_temperature_channel"]
    assert "which chamber" in defaults["soil_temperature_channel"]
    assert "Does vwc serve all chambers?" in defaults["soil_moisture_channel"]
    assert "Does air_t serve all chambers?" in defaults["air_temperature_channel"]
    assert found["channels"]["rain"] == {"unit": "mm", "range": [0.0, 100.0]}
    assert found["weather"] == {"rain_channel": "rain"}
    # What a newcomer did not understand says what to write, and where to look it up.
    assert any("position: kind of place, as ridge" in line for line in asked)
    noise = next(line for line in asked if "precision.N2O" in line)
    assert "1-sigma noise of readings 1 s apart [ppb]" in noise
    assert "data sheet" in noise
    assert "minute of steady gas" in noise
    assert fluxes(path, air_temperature_channel='"air_t"')


def test_sensors_of_some_chambers_and_rain_that_adds_up(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    more: dict[str, Cell] = {
        "Closed": lambda s, n: n,
        **{f"ts_{n}": lambda s, n: "14.5" for n in (1, 2, 3)},
        "rain": lambda s, n: f"{s / 10_000:.1f}",
    }
    write(tmp_path / "in" / "a.csv", more, air="t_{n}")
    _, found, _ = draft(tmp_path, capsys)
    assert [c.get("soil_temperature_channel") for c in found["chambers"][:4]] == [
        "ts_1", "ts_2", "ts_3", None,
    ]  # fmt: skip
    asked = found["chamber_defaults"]["soil_temperature_channel"]
    assert "Soil temperature of 4, 5, 6, 7, 8, 9, 10, 11, 12" in asked
    assert "looks like a running total" in found["weather"]["rain_channel"]
    assert found["channels"]["rain"]["unit"].startswith("? ")


@pytest.mark.parametrize("word", ["UTC", "+02:00"])
def test_a_zone_that_says_it_all_is_not_asked_about(
    word: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write(tmp_path / "in" / "a.csv", {"Closed": lambda s, n: n, "tz": lambda s, n: word}, hours=6)
    path, found, _ = draft(tmp_path, capsys)
    assert "clock" not in found["station"]
    first = min(row["closed_us"] for row in fluxes(path))
    true = datetime.fromisoformat(f"2026-07-14T06:02:30{word.replace('UTC', '+00:00')}")
    assert first == round(true.timestamp() * 1e6)
