"""Every export in every format, read back by independent readers."""

import csv
import json
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
import xarray as xr
from compliance_checker.base import BaseCheck
from compliance_checker.runner import CheckSuite
from frictionless import validate
from h5netcdf.dimensions import Dimension

from stream import columns
from stream.cli.command import main
from stream.compute.replay import replay
from stream.demo.scenario import own_line
from stream.demo.write import write_station
from stream.report.formats.csv_file import write_csv
from stream.report.formats.netcdf_file import write_netcdf
from stream.report.table import from_rows
from stream.science.quality.flags import FLAGS
from stream.station import load_station
from stream.times import rfc3339

WHAT = ("fluxes", "closures", "records", "daily", "field", "season")
PERIOD = ["--from", "2026-06-15", "--to", "2026-06-16"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two days of a station, and every table in every format; records of an hour."""
    place = tmp_path_factory.mktemp("exports")
    path = write_station(own_line(2, faults=False), place)
    file = load_station(path)
    replay(file, [place / "incoming"], file.database_url)
    hour = ["--from", "2026-06-15T10:00:00+02:00", "--to", "2026-06-15T11:00:00+02:00"]
    for what in WHAT:
        for ending in ("csv", "parquet", "nc"):
            out = str(place / f"{what}.{ending}")
            period = hour if what == "records" else PERIOD
            assert main(["export", str(path), what, "--out", out, *period]) == 0
    return place


@pytest.fixture(autouse=True)
def _known_sizes(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The readers ask for the sizes of dimensions all the time, and h5netcdf looks them up in
    the file each time; once the files are written they stay.
    """
    monkeypatch.setattr(Dimension, "size", property(cache(Dimension.size.fget)))


@pytest.mark.parametrize("what", WHAT)
def test_three_formats_hold_the_same(folder: Path, what: str) -> None:
    """pandas reads the CSV, pyarrow the Parquet, xarray the NetCDF: the same to the bit."""
    typed = pq.read_table(folder / f"{what}.parquet")
    parquet = typed.to_pandas()
    words = {f.name: str for f in typed.schema if str(f.type) == "string"}
    text = pd.read_csv(folder / f"{what}.csv", keep_default_na=False, na_values=[""], dtype=words)
    with xr.open_dataset(folder / f"{what}.nc", engine="h5netcdf", decode_times=False) as opened:
        netcdf = opened.load()
    assert len(text) == len(parquet) == netcdf.sizes["obs"] > 10
    assert list(text.columns) == list(parquet.columns)
    for name in text.columns:
        column, mine = text[name], parquet[name]
        if name in {"closed_at", "opened_at", "mid_at", "time"}:
            assert (pd.to_datetime(column.dropna()) == mine[column.notna()]).all(), name
            moments = pd.to_datetime(netcdf[name].values, unit="s", utc=True).round("us")
            assert (moments[column.notna()] == mine[column.notna()]).all(), name
        elif pd.api.types.is_numeric_dtype(mine):
            np.testing.assert_array_equal(column.to_numpy(float), mine.to_numpy(float), name)
            theirs = netcdf[name].to_numpy().astype(float)
            fill = netcdf[name].encoding.get("_FillValue")
            theirs[theirs == (np.nan if fill is None else fill)] = np.nan
            np.testing.assert_array_equal(column.to_numpy(float), theirs, name)
        elif name not in {"day", "from", "to"}:
            ours = column.astype(object).where(column.notna(), "").astype(str)
            theirs = mine.astype(object).where(mine.notna(), "").astype(str)
            assert (ours == theirs).all(), name
            assert (ours == netcdf[name].values.astype(str)).all(), name


@pytest.mark.parametrize("what", WHAT)
def test_the_descriptor_is_valid(folder: Path, what: str) -> None:
    """frictionless: package, resource, schema, and every cell of the table against it."""
    report = validate(str(folder / f"{what}.datapackage.json"))
    assert report.valid, report.flatten(["message"])[:3]
    package = json.loads((folder / f"{what}.datapackage.json").read_text())
    fields = package["resources"][0]["schema"]["fields"]
    assert all(f["description"] for f in fields)
    units = {f["name"]: f.get("unit") for f in fields}
    if what == "fluxes":
        assert units["flux_nmol_m2_s"] == "nmol m-2 s-1"
        assert units["flux_se_nmol_m2_s_saturating"] == "nmol m-2 s-1"
        assert units["air_temperature_c"] == "degree_Celsius"


def test_a_descriptor_finds_a_spoiled_table(folder: Path, tmp_path: Path) -> None:
    for name in ("daily.csv", "daily.datapackage.json"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    table = tmp_path / "daily.csv"
    table.write_text(table.read_text().replace("2026-06-15", "the fifteenth", 1))
    assert not validate(str(tmp_path / "daily.datapackage.json")).valid


@pytest.mark.parametrize("what", WHAT)
def test_netcdf_follows_the_cf_conventions(
    folder: Path, what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The CF checker of IOOS, version 1.11 of the conventions: no error and no warning."""
    monkeypatch.setattr("requests.get", None, raising=False)
    suite = CheckSuite()
    suite.load_all_available_checkers()
    dataset = suite.load_dataset(str(folder / f"{what}.nc"))
    groups, errors = suite.run_all(dataset, ["cf:1.11"])["cf:1.11"]
    dataset.close()
    assert errors == {}
    failed = [
        (r.name, r.msgs)
        for r in groups
        if r.weight >= BaseCheck.MEDIUM and r.value is not True and r.msgs
    ]
    assert failed == []


def test_flags_are_words_and_bits(folder: Path) -> None:
    with xr.open_dataset(folder / "fluxes.nc", engine="h5netcdf", decode_times=False) as opened:
        netcdf = opened.load()
    bits = netcdf["flag_bits"]
    meanings = bits.attrs["flag_meanings"].split()
    assert meanings == list(FLAGS)
    masks = bits.attrs["flag_masks"]
    for words, value in zip(netcdf["flags"].values, bits.values, strict=True):
        told = {m for m, mask in zip(meanings, masks, strict=True) if value & mask}
        assert told == set(str(words).split())
    assert netcdf["quality"].attrs["flag_values"].tolist() == [1, 2, 3, 4, 9]


def test_an_unknown_ending_is_refused(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["export", str(folder / "station.toml"), "daily", "--out", str(folder / "x.xlsx")]
    assert main([*asked, *PERIOD]) == 2
    assert "'.xlsx' is not known; write .csv, .parquet, .nc" in capsys.readouterr().err


def test_hours_are_the_integral_of_straight_lines(folder: Path) -> None:
    """Against numpy on a fine grid over the native fluxes of one chamber; daily means of
    fluxes are those of the daily export.
    """
    station = str(folder / "station.toml")
    for step, out in (("hourly", "hourly.csv"), ("daily", "days.csv")):
        asked = ["export", station, "fluxes", "--frequency", step, "--out", str(folder / out)]
        assert main([*asked, *PERIOD]) == 0
    assert (folder / "days.csv").read_bytes() == (folder / "daily.csv").read_bytes()
    hours = pd.read_csv(folder / "hourly.csv", parse_dates=["hour_at"])
    native = pd.read_csv(folder / "fluxes.csv", parse_dates=["mid_at"])
    mine = native[(native.chamber == "A2") & (native.gas == "CO2") & (native.quality <= 2)]
    at = mine.mid_at.astype("int64") / 1e6
    table = hours[(hours.chamber == "A2") & (hours.gas == "CO2") & (hours.coverage == 1.0)]
    assert len(table) > 30
    for row in table.iloc[3:-3].itertuples():
        begin = row.hour_at.timestamp()
        grid = np.linspace(begin, begin + 3600.0, 3601)
        fine = np.trapezoid(np.interp(grid, at, mine.flux_nmol_m2_s), grid) / 3600.0
        assert row.flux_nmol_m2_s == pytest.approx(fine, rel=1e-6)
    assert main(["export", station, "daily", "--frequency", "hourly", "--out", "x.csv"]) == 2


def test_odd_cells_come_back_from_csv(tmp_path: Path) -> None:
    """By the rules of RFC 4180, read by Python's own csv module; times after RFC 3339."""
    moment = 1_780_000_000_000_000
    times = [moment, moment + 250_000, moment + 1, None, -1, moment + 10_000_000]
    numbers = [0.1, 1e-5, 1.0, None, -2.5e300, 3.0000000000000004e-07]
    words = ['a "b", c', "line\nbreak", "cr\r", None, "", "µmol, ½"]
    whole = [1, 2, -3, None, 2**40, 0]
    found = columns.columns(("flags", "time", "height_m", "points", "plot"))
    rows = list(zip(words, times, numbers, whole, words, strict=True))
    assert write_csv(from_rows(found, iter(rows)), tmp_path / "odd.csv") == len(rows)
    with (tmp_path / "odd.csv").open(newline="", encoding="utf-8") as file:
        head, *lines = csv.reader(file)
    assert head == ["flags", "time", "height_m", "points", "plot"]
    for line, row in zip(lines, rows, strict=True):
        assert [line[0], line[4]] == [row[0] or "", row[4] or ""]
        assert line[1] == ("" if row[1] is None else rfc3339(row[1]))
        assert (float(line[2]) if line[2] else None) == row[2]
        assert line[3] == ("" if row[3] is None else str(row[3]))
    assert write_csv(from_rows(found, iter([])), tmp_path / "none.csv") == 0
    assert (tmp_path / "none.csv").read_text() == "flags,time,height_m,points,plot\n"


def test_a_nul_in_a_text_is_marked_in_netcdf(tmp_path: Path) -> None:
    """HDF5 has texts that end at the first one."""
    found = columns.columns(("source", "text"))
    rows = [("log.csv", "a\0b"), ("log.csv", None)]
    assert write_netcdf(from_rows(found, iter(rows)), tmp_path / "odd.nc") == 2
    with xr.open_dataset(tmp_path / "odd.nc", engine="h5netcdf") as opened:
        assert opened["text"].values.tolist() == ["a\ufffdb", ""]
