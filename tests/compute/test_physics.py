"""Mistakes that a closure shows by itself cost the quality of what they touch, and nothing else."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import rounds
from small import T0, own_line_stream, part, shared_stream

from stream.compute.replay import Pipeline
from stream.ingest.batches import Batch, tidy
from stream.science.quality.flags import BAD, GOOD, MISSING, SUSPECT
from stream.station import StationFile, load_station
from stream.store import Store
from stream.store.results.readers import Reader
from stream.times import SECOND

Make = Callable[..., StationFile]
OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]
Columns = dict[str, np.ndarray]
Rows = list[dict[str, object]]

CO2_SLOPE = 0.05
"""[umol mol⁻¹ s⁻¹]: 0.3 µmol m⁻² s⁻¹ and more."""


def with_co2(file: StationFile, old: str = "", new: str = "") -> StationFile:
    """The small station with CO2 and a place, and something changed."""
    text = file.path.read_text()
    text = text.replace('gases = { N2O = "n2o" }', 'gases = { N2O = "n2o", CO2 = "co2" }')
    text = text.replace("[channels.n2o]", '[channels.co2]\nunit = "umol/mol"\n[channels.n2o]')
    text = text.replace("elevation_m", "latitude = 13.5\nlongitude = -75.0\nelevation_m")
    assert old in text
    file.path.write_text(text.replace(old, new))
    return load_station(file.path)


def columns_of(batch: Batch) -> Columns:
    """The columns of a small stream, with CO2 beside, as dry as the other gas."""
    columns = {c: batch.values[:, j].copy() for j, c in enumerate(batch.channels)}
    rng = np.random.default_rng(16)
    t = batch.times / SECOND - T0
    rise = np.zeros(len(t))
    for i in (1, 2):
        closed = columns[f"lid_{i}"] == 1
        first = 60 if "port" in columns else 60 + 450 * (i - 1)
        rise = np.where(closed, CO2_SLOPE * i * ((t - first) % 900), rise)
    dry = 424.0 + rise + 0.1 * rng.standard_normal(len(t))
    columns["co2"] = dry * (1.0 - columns["h2o"] / 1e3)
    return columns


def rows_of(file: StationFile, open_parts: OpenParts, url: str, change: Callable[[Columns], None],
            *, shared: bool) -> Rows:  # fmt: skip
    batch = shared_stream() if shared else own_line_stream()
    columns = columns_of(batch)
    change(columns)
    store, parts = open_parts(file, url)
    parts.intake.take(tidy(batch.source, batch.times, columns, batch.lines))
    parts.settlement.settle()
    rows = [r for r in Reader(store, "small").fluxes() if r["revision"]]
    # What lies at the ends of so short a stream is short of something by itself.
    return [r for r in rows if not {"no_close_edge", "unfinished"} & set(r["flags"].split())]


def times(name: str, factor: float) -> Callable[[Columns], None]:
    def change(columns: Columns) -> None:
        columns[name] = columns[name] * factor

    return change


def replaced(name: str, value: float) -> Callable[[Columns], None]:
    def change(columns: Columns) -> None:
        columns[name] = np.where(np.isnan(columns[name]), np.nan, value)

    return change


def swap(a: str, b: str) -> Callable[[Columns], None]:
    def change(columns: Columns) -> None:
        columns[a], columns[b] = columns[b], columns[a]

    return change


def nothing(_: Columns) -> None:
    """As it was."""


def toggle(columns: Columns) -> None:
    columns["n2o"] = np.where(np.arange(len(columns["n2o"])) % 2 == 0, 331.0, 349.0)


def both_temperatures(value: Callable[[np.ndarray], np.ndarray]) -> Callable[[Columns], None]:
    def change(columns: Columns) -> None:
        for i in (1, 2):
            columns[f"t_{i}"] = value(columns[f"t_{i}"])

    return change


IN_PPM = times("n2o", 1e-3)
CASES = [
    ("CO2 in ppb", times("co2", 1000.0), "", "", "start_implausible", {"CO2"}),
    ("CO2 as a ratio", times("co2", 1e-6), "", "", "start_implausible", {"CO2"}),
    ("N2O in ppm", IN_PPM, "", "", "start_implausible", {"N2O"}),
    ("N2O and CO2 exchanged", swap("n2o", "co2"), "", "", "start_implausible", {"N2O", "CO2"}),
    ("pressure in hPa as kPa", times("p_air", 10.0), "", "", "pressure_implausible",
     {"N2O", "CO2"}),
    ("pressure in kPa as Pa", nothing, 'unit = "kPa"', 'unit = "Pa"', "pressure_implausible",
     {"N2O", "CO2"}),
    ("pressure zero", replaced("p_air", 0.0), "", "", "pressure_implausible", {"N2O", "CO2"}),
    ("pressure below zero", replaced("p_air", -1.0), "", "", "pressure_implausible",
     {"N2O", "CO2"}),
    ("degC declared K", nothing, 'unit = "degC"', 'unit = "K"', "temperature_implausible",
     {"N2O", "CO2"}),
    ("K declared degC", both_temperatures(lambda t: t + 273.15), "", "",
     "temperature_implausible", {"N2O", "CO2"}),
    ("°F declared degC", both_temperatures(lambda t: 1.8 * t + 32.0), "", "",
     "temperature_implausible", {"N2O", "CO2"}),
    ("air at -40 °C", both_temperatures(lambda t: 0.0 * t - 40.0), "", "",
     "temperature_implausible", {"N2O", "CO2"}),
    ("air at 850 °C", both_temperatures(lambda t: 0.0 * t + 850.0), "", "",
     "temperature_implausible", {"N2O", "CO2"}),
    ("water as a share of 1,000 declared %", nothing, '[channels.h2o]\nunit = "mmol/mol"',
     '[channels.h2o]\nunit = "%"', "water_implausible", {"N2O", "CO2"}),
    ("N2O toggles", toggle, "", "", "toggling", {"N2O"}),
    ("a height that cannot be", nothing, "height_m = 0.15", "height_m = 15.0",
     "setup_implausible", {"N2O", "CO2"}),
]  # fmt: skip


@pytest.mark.parametrize("shared", [False, True], ids=["own", "shared"])
@pytest.mark.parametrize(
    ("change", "old", "new", "flag", "gases"), [c[1:] for c in CASES], ids=[c[0] for c in CASES]
)
def test_a_gross_mistake_costs_the_quality_of_what_it_touches(
    make_station: Make,
    open_parts: OpenParts,
    sqlite_url: str,
    shared: bool,
    change: Callable[[Columns], None],
    old: str,
    new: str,
    flag: str,
    gases: set[str],
) -> None:
    file = with_co2(make_station(shared=shared), old, new)
    rows = rows_of(file, open_parts, sqlite_url, change, shared=shared)
    assert len(rows) > 15
    for row in rows:
        flags = set(str(row["flags"]).split())
        if row["gas"] in gases:
            if shared and change is IN_PPM:
                # The standard gas, in the same wrong unit, puts the mole fractions right.
                assert row["start_mole_fraction"] == pytest.approx(330.0, rel=0.03)
                continue
            # Of a standard gas in the wrong column the calibration says more than the start.
            assert flag in flags or "calibration_poor" in flags, (row["gas"], flags)
            assert row["quality"] in {SUSPECT, BAD, MISSING}
        else:
            assert flag not in flags
            assert row["quality"] == GOOD, flags


@pytest.mark.parametrize("shared", [False, True], ids=["own", "shared"])
def test_nothing_is_said_of_what_is_right(
    make_station: Make, open_parts: OpenParts, sqlite_url: str, shared: bool
) -> None:
    rows = rows_of(
        with_co2(make_station(shared=shared)), open_parts, sqlite_url, nothing, shared=shared
    )
    found = {f for r in rows for f in str(r["flags"]).split()}
    assert not any("implausible" in f or f == "toggling" for f in found), found
    assert "co2_falls_in_dark" not in found


def test_an_impossible_pressure_is_not_used(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """The standard atmosphere stands for it, as where there is no sensor."""
    rows = rows_of(
        with_co2(make_station()), open_parts, sqlite_url, times("p_air", 10.0), shared=False
    )
    # 100 m: 1001.3 hPa by the US Standard Atmosphere 1976.
    assert all(r["pressure_pa"] == pytest.approx(100_129.0, rel=1e-3) for r in rows)
    assert all("pressure_assumed" in str(r["flags"]) for r in rows)


def test_a_broken_soil_sensor_is_no_fault_of_the_air(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """85 °C is what such a sensor shows when it does not measure [common practice, no source];
    66 °C under a lid over soil at 22 °C is too much.
    """
    path = make_station().path
    text = path.read_text().replace(
        'air_temperature_channel = "t_1"',
        'air_temperature_channel = "t_1"\nsoil_temperature_channel = "ts_1"',
    )
    path.write_text(
        text.replace("[channels.t_1]", '[channels.ts_1]\nunit = "degC"\n[channels.t_1]')
    )
    file = with_co2(load_station(path))
    path.write_text(path.read_text().replace("longitude = -75.0", "longitude = 144.8"))
    for soil, air, flagged in ((85.0, 0.0, False), (22.0, 45.0, True), (22.0, 0.0, False)):

        def change(columns: Columns, soil: float = soil, air: float = air) -> None:
            columns["t_1"] = columns["t_1"] + air
            columns["ts_1"] = 0.0 * columns["t_1"] + soil

        rows = rows_of(
            load_station(file.path), open_parts, f"{sqlite_url}{soil}{air}", change, shared=False
        )
        mine = [r for r in rows if r["chamber"] == "C1"]
        assert {"temperature_implausible" in str(r["flags"]) for r in mine} == {flagged}


def test_an_impossible_temperature_makes_no_flux(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    change = both_temperatures(lambda t: 0.0 * t + 850.0)
    rows = rows_of(with_co2(make_station()), open_parts, sqlite_url, change, shared=False)
    assert all(r["flux_nmol_m2_s"] is None and r["quality"] == MISSING for r in rows)


def test_co2_that_falls_in_the_dark(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """The small streams begin at 02:40 UTC: noon in Guam, night at 75° W."""

    def change(columns: Columns) -> None:
        columns["co2"] = 2 * 424.0 * (1.0 - columns["h2o"] / 1e3) - columns["co2"]

    day = with_co2(make_station(), "longitude = -75.0", "longitude = 144.8")
    rows = rows_of(day, open_parts, sqlite_url, change, shared=False)
    assert not any("co2_falls_in_dark" in str(r["flags"]) for r in rows)
    night = with_co2(make_station())
    rows = rows_of(night, open_parts, f"{sqlite_url}2", change, shared=False)
    assert all("co2_falls_in_dark" in str(r["flags"]) for r in rows)
    assert {r["quality"] for r in rows} == {SUSPECT}


@pytest.mark.parametrize("shared", [False, True], ids=["own", "shared"])
def test_cut_anywhere_the_flags_are_the_same(
    make_station: Make, open_parts: OpenParts, sqlite_url: str, shared: bool
) -> None:
    """In pieces, the later half first, and settled after each: the same rows to the bit."""
    file = with_co2(make_station(shared=shared))
    batch = shared_stream() if shared else own_line_stream()
    columns = columns_of(batch)
    toggle(columns)
    times("p_air", 10.0)(columns)
    both_temperatures(lambda t: t + 60.0)(columns)
    made = tidy(batch.source, batch.times, columns, batch.lines)
    whole, parts = open_parts(file, sqlite_url)
    parts.intake.take(made)
    parts.settlement.settle()
    cut, parts = open_parts(file, f"{sqlite_url}2")
    starts = list(range(0, len(made), 211))
    for first in [*starts[len(starts) // 2 :], *starts[: len(starts) // 2]]:
        parts.intake.take(part(made, slice(first, first + 211)))
        parts.settlement.settle()
    current = [
        sorted(
            (r["chamber"], r["closed_us"], r["gas"], r["flags"], r["flux_nmol_m2_s"])
            for r in Reader(store, "small").fluxes()
        )
        for store in (whole, cut)
    ]
    assert current[0] == current[1]
    assert any("temperature_implausible" in r[3] for r in current[0])


def hand_rows(tmp_path: Path, open_parts: OpenParts, url: str, noted: Rows, run: Rows) -> Rows:
    path = tmp_path / "hand.toml"
    path.write_text(rounds.station_text())
    store, parts = open_parts(load_station(path), url)
    parts.hand.take("feb9.csv", rounds.written(noted))
    parts.hand.take("run1.csv", rounds.written(run))
    parts.settlement.settle()
    return list(Reader(store, "small").fluxes())


@pytest.mark.parametrize(
    ("column", "value", "flag", "told"),
    [
        ("height_m", 18, "height_implausible", "in cm that would be 0.18 m, in inches 0.4572 m"),
        ("height_m", 180, "height_implausible", "in mm that would be 0.18 m"),
        ("pressure_hpa", 96_000, "pressure_implausible", "in Pa that would be 960 hPa"),
        ("pressure_hpa", 96.0, "pressure_implausible", "in kPa that would be 960 hPa"),
        ("air_temperature_c", 297.15, "temperature_implausible", "in K that would be 24 degC"),
    ],
)
def test_what_a_sheet_notes_in_a_wrong_unit(
    tmp_path: Path,
    open_parts: OpenParts,
    sqlite_url: str,
    column: str,
    value: float,
    flag: str,
    told: str,
) -> None:
    """Its rows are kept, its fluxes marked, and bringing it tells the likely unit."""
    noted = rounds.vials()
    run = rounds.run(noted)
    for row in noted:
        if row["chamber"] == "H2":
            row[column] = value
    rows = hand_rows(tmp_path, open_parts, sqlite_url, noted, run)
    for row in rows:
        wrong = row["chamber"] == "H2"
        assert (flag in str(row["flags"]).split()) is wrong
        assert (row["quality"] == GOOD) is not wrong
    path = tmp_path / "hand.toml"
    _, parts = open_parts(load_station(path), f"{sqlite_url}2")
    taken = parts.hand.take("feb9.csv", rounds.written(noted))
    assert (taken.rows, taken.refused) == (12, 0)
    assert len(taken.odd) == 4
    assert all(told in line and f"{column} {value:g} cannot be right" in line for line in taken.odd)


def test_low_and_high_standard_exchanged(
    tmp_path: Path, open_parts: OpenParts, sqlite_url: str
) -> None:
    noted = rounds.vials()
    run = rounds.run(noted)
    other = {"low": "high", "high": "low"}
    for row in run:
        row["standard"] = other.get(str(row["standard"]), row["standard"])
    rows = hand_rows(tmp_path, open_parts, sqlite_url, noted, run)
    assert len(rows) == 3
    for row in rows:
        assert "standards_exchanged" in str(row["flags"]).split()
        assert row["quality"] in {BAD, MISSING}
