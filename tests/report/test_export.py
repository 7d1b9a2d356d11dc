"""Exports: the columns that others rely on, read back by independent readers."""

import csv
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from pyarrow import csv as arrow_csv
from small import own_line_stream, part, shared_stream

from stream.compute.replay import Pipeline
from stream.errors import CommandError, LidstreamError, StoreError
from stream.report.export import export
from stream.station import StationFile
from stream.store import Store
from stream.times import rfc3339

Make = Callable[..., StationFile]
OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]

CONTRACT = (
    "station,chamber,plot,block,treatment,position,gas,closed_at,opened_at,mid_at,"
    "flux_nmol_m2_s,flux_se_nmol_m2_s,detection_limit_nmol_m2_s,model,model_reason,points,"
    "window_start_s,window_end_s,start_mole_fraction,r_squared,air_temperature_c,pressure_pa,"
    "volume_m3,area_m2,soil_temperature_c,soil_moisture_m3_m3,wfps,quality,flags,revision,"
    "station_digest,software_version,"
    "flux_nmol_m2_s_linear,flux_se_nmol_m2_s_linear,"
    "flux_nmol_m2_s_quadratic,flux_se_nmol_m2_s_quadratic,"
    "flux_nmol_m2_s_saturating,flux_se_nmol_m2_s_saturating"
)


@pytest.fixture
def filled(make_station: Make, open_parts: OpenParts, database_url: str) -> tuple[StationFile, str]:
    """A database with an hour and a half of a small station, its last closure going on."""
    file = make_station()
    store, parts = open_parts(file, database_url)
    batch = own_line_stream()
    parts.intake.take(part(batch, slice(0, len(batch) - 80)))
    parts.settlement.settle()
    store.close()
    return file, database_url


def test_fluxes_have_the_columns_of_the_contract(
    filled: tuple[StationFile, str], tmp_path: Path
) -> None:
    file, url = filled
    out = tmp_path / "fluxes.csv"
    count = export(file, "fluxes", out, url)
    with out.open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert list(rows[0])[: CONTRACT.count(",") + 1] == CONTRACT.split(",")
    assert len(rows) == count
    assert [(r["chamber"], r["closed_at"]) for r in rows] == sorted(
        (r["chamber"], r["closed_at"]) for r in rows
    )
    first = rows[0]
    assert first["closed_at"] == "2026-02-02T02:41:00Z"
    assert first["opened_at"] == "2026-02-02T02:47:40Z"
    assert first["mid_at"] < first["opened_at"]
    assert first["quality"] == "1"
    assert float(first["flux_nmol_m2_s"]) > 0
    assert first["soil_temperature_c"] == ""
    pending = [r for r in rows if r["revision"] == "0"]
    assert [(r["flags"], r["quality"], r["flux_nmol_m2_s"]) for r in pending] == [
        ("unfinished", "2", "")
    ]


def test_independent_readers_read_the_same_numbers(
    filled: tuple[StationFile, str], tmp_path: Path
) -> None:
    """pandas and pyarrow; every stored digit survives."""
    file, url = filled
    out = tmp_path / "fluxes.csv"
    export(file, "fluxes", out, url)
    frame = pd.read_csv(out, parse_dates=["closed_at", "opened_at", "mid_at"])
    assert str(frame["closed_at"].dt.tz) == "UTC"
    table = arrow_csv.read_csv(out)
    assert (
        table.column("flux_nmol_m2_s").to_pylist()
        == frame["flux_nmol_m2_s"]
        .astype(object)
        .where(frame["flux_nmol_m2_s"].notna(), None)
        .tolist()
    )


def test_units_of_the_trade(filled: tuple[StationFile, str], tmp_path: Path) -> None:
    """1 nmol N2O m⁻² s⁻¹ is 100.8504 µg N m⁻² h⁻¹ (derived); the column says so."""
    file, url = filled
    plain, trade = tmp_path / "plain.csv", tmp_path / "trade.csv"
    export(file, "fluxes", plain, url)
    export(file, "fluxes", trade, url, unit="ug N m-2 h-1")
    a, b = pd.read_csv(plain), pd.read_csv(trade)
    for kind in ("flux", "flux_se", "detection_limit"):
        ratio = (b[f"{kind}_ug_N_m2_h"] / a[f"{kind}_nmol_m2_s"]).dropna()
        assert ratio.to_numpy() == pytest.approx(100.8504, rel=1e-6)
    ratio = b["flux_ug_N_m2_h_linear"] / a["flux_nmol_m2_s_linear"]
    assert ratio.dropna().to_numpy() == pytest.approx(100.8504, rel=1e-6)


def test_records_come_back_as_they_were(filled: tuple[StationFile, str], tmp_path: Path) -> None:
    file, url = filled
    out = tmp_path / "records.csv"
    count = export(file, "records", out, url)
    batch = own_line_stream()
    assert count == len(batch) - 80
    frame = pd.read_csv(out)
    assert frame["time"].iloc[0] == rfc3339(int(batch.times[0]))
    for channel in ("n2o", "lid_1", "t_2"):
        expected = batch.values[: len(batch) - 80, batch.channels.index(channel)]
        found = frame[channel].to_numpy()
        assert ((found == expected) | (pd.isna(found) & pd.isna(expected))).all()


def test_closures_and_gaps_in_one_table(
    make_station: Make, open_parts: OpenParts, sqlite_url: str, tmp_path: Path
) -> None:
    file = make_station()
    store, parts = open_parts(file, sqlite_url)
    batch = own_line_stream()
    values = batch.values.copy()
    values[450:700, batch.channels.index("lid_1")] = 0.0
    parts.intake.take(type(batch)(batch.source, batch.channels, batch.times, values, batch.lines))
    parts.settlement.settle()
    store.close()
    out = tmp_path / "closures.csv"
    export(file, "closures", out, sqlite_url)
    frame = pd.read_csv(out, keep_default_na=False)
    kinds = frame[frame.chamber == "C1"]["kind"].tolist()
    assert kinds[:3] == ["closure", "gap", "closure"]
    (gap,) = frame[frame.kind == "gap"].to_dict("records")
    assert (gap["flags"], gap["quality"], gap["opened_at"]) == ("lid_stuck_open", 9, "")


def test_period_chambers_and_gases(filled: tuple[StationFile, str], tmp_path: Path) -> None:
    file, url = filled
    out = tmp_path / "x.csv"
    everything = export(file, "fluxes", out, url)
    frame = pd.read_csv(out, parse_dates=["closed_at"])
    middle = frame["closed_at"].iloc[2]
    split = int(middle.timestamp() * 1e6)
    early = export(file, "fluxes", out, url, stop=split)
    late = export(file, "fluxes", out, url, first=split)
    assert early + late == everything
    assert early > 0
    assert export(file, "fluxes", out, url, chambers=("C2",)) == (frame.chamber == "C2").sum()
    assert export(file, "fluxes", out, url, gases=("N2O",)) == everything


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"unit": "furlong"}, "--unit: flux unit 'furlong' is not of the form"),
        ({"unit": "ug C m-2 h-1"}, "does not apply to N2O; choose another unit"),
        ({"gases": ("CO2",)}, "--gas CO2: the station measures N2O"),
        ({"chambers": ("Z9",)}, "--chamber Z9: the station has C1, C2"),
        ({"first": 5, "stop": 5}, "--from: must be earlier than --to"),
    ],
)
def test_what_cannot_be_asked_for(
    filled: tuple[StationFile, str], tmp_path: Path, options: dict[str, object], message: str
) -> None:
    file, url = filled
    out = tmp_path / "x.csv"
    with pytest.raises(CommandError) as caught:
        export(file, "fluxes", out, url, **options)  # type: ignore[arg-type]
    assert message in str(caught.value)
    assert list(tmp_path.glob("*x.csv*")) == []


def test_endings_and_paths(filled: tuple[StationFile, str], tmp_path: Path) -> None:
    file, url = filled
    with pytest.raises(CommandError, match=r"is not known; write \.csv"):
        export(file, "fluxes", tmp_path / "x.xlsx", url)
    with pytest.raises(LidstreamError, match="cannot be written"):
        export(file, "fluxes", tmp_path / "no" / "x.csv", url)
    with pytest.raises(StoreError, match="no such database"):
        export(file, "fluxes", tmp_path / "x.csv", f"sqlite:///{tmp_path / 'none.db'}")
    assert not (tmp_path / "none.db").exists()


def test_shared_analyzer_exports(
    make_station: Make, open_parts: OpenParts, sqlite_url: str, tmp_path: Path
) -> None:
    file = make_station(shared=True)
    store, parts = open_parts(file, sqlite_url)
    parts.intake.take(shared_stream())
    parts.settlement.settle()
    store.close()
    export(file, "fluxes", tmp_path / "x.csv", sqlite_url)
    frame = pd.read_csv(tmp_path / "x.csv")
    assert frame["points"].max() == 4
    good = frame[frame.quality == 1]
    assert len(good) >= 8
    assert (good["flux_nmol_m2_s"] > 0).all()


def test_every_candidate_has_its_columns(
    make_station: Make, open_parts: OpenParts, sqlite_url: str, tmp_path: Path
) -> None:
    """Five candidates: each has its flux and error in each row, the robust line among them."""
    names = ["linear", "quadratic", "saturating", "diffusive", "theil_sen"]
    file = make_station(extra=f"[models]\ncandidates = {names}".replace("'", '"'))
    _, parts = open_parts(file, sqlite_url)
    parts.intake.take(own_line_stream())
    parts.settlement.settle()
    out = tmp_path / "fluxes.csv"
    export(file, "fluxes", out, sqlite_url)
    table = pd.read_csv(out)
    after = list(table.columns).index("software_version") + 1
    assert list(table.columns[after : after + 10]) == [
        f"{what}_nmol_m2_s_{name}" for name in names for what in ("flux", "flux_se")
    ]
    done = table[table["revision"] > 0]
    assert len(done) >= 9
    for name in ("linear", "theil_sen"):
        assert done[f"flux_nmol_m2_s_{name}"].notna().all()
    ratio = done["flux_nmol_m2_s_theil_sen"] / done["flux_nmol_m2_s_linear"]
    assert ratio.between(0.9, 1.1).all()
    assert set(done["model"]) <= set(names) - {"theil_sen"}
