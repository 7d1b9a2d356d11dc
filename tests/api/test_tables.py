"""Tables: filters in the database are filters of the whole; units, times and forms."""

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from sqlalchemy import event

import stream
from stream.report.table import Selection

TABLES = (
    *("fluxes", "closures", "gaps", "records", "hourly", "daily", "field", "season", "notes"),
    *("vials", "refused"),
)


def equal(a: pd.DataFrame, b: pd.DataFrame) -> None:
    """Same rows and values, whatever their index was."""
    pd.testing.assert_frame_equal(a.reset_index(drop=True), b.reset_index(drop=True))


def test_filters_are_those_of_pandas(either: stream.Station) -> None:
    whole = either.fluxes()
    assert whole["gas"].nunique() == 3
    a, b = either.chambers[1], either.chambers[7]
    equal(either.fluxes("CH4"), whole[whole["gas"] == "CH4"])
    equal(either.fluxes(["N2O", "CO2"]), whole[whole["gas"].isin(["N2O", "CO2"])])
    equal(either.fluxes(chamber=[a, b]), whole[whole["chamber"].isin([a, b])])
    for code in whole["quality"].unique():
        equal(either.fluxes(quality=int(code)), whole[whole["quality"] == code])
    equal(either.fluxes(quality=["good", "not evaluated"]), whole[whole["quality"].isin([1, 2])])
    start, stop = whole["closed_at"].quantile(0.2), whole["closed_at"].quantile(0.6)
    inside = (whole["closed_at"] >= start) & (whole["closed_at"] < stop)
    equal(either.fluxes(start=start, stop=stop), whole[inside])
    equal(
        either.fluxes("N2O", start=start, stop=stop, chamber=a, quality=1),
        whole[inside & (whole["gas"] == "N2O") & (whole["chamber"] == a) & (whole["quality"] == 1)],
    )
    closures = either.closures()
    equal(either.closures(chamber=b), closures[closures["chamber"] == b])
    assert set(closures["kind"]) == {"closure"}


def test_a_day_is_one_at_the_station_and_stop_includes_it(own: stream.Station) -> None:
    whole = own.fluxes("N2O")
    local = whole["closed_at"].dt.tz_convert(whole.attrs["timezone"]).dt.date
    day = date(2026, 6, 15)
    for given in (day, "2026-06-15"):
        equal(own.fluxes("N2O", start=given, stop=given), whole[local == day])
    equal(own.fluxes("N2O", start="2026-06", stop="2026-06"), whole)
    assert len(own.fluxes(start="2026-05", stop="2026-05")) == 0


def test_a_day_costs_the_database_a_day(own: stream.Station) -> None:
    """Period, chamber, gas and quality are conditions of the query."""
    engine = own._data().store.engine
    asked: list[str] = []

    @event.listens_for(engine, "before_cursor_execute")
    def _keep(_c: object, _cursor: object, text: str, given: object, *_: object) -> None:
        asked.append(f"{text} {given}")

    table = own.fluxes("N2O", start="2026-06-15", stop="2026-06-15", chamber="A1", quality=1)
    event.remove(engine, "before_cursor_execute", _keep)
    (text,) = [t for t in asked if "fit_linear.status" in t]
    for condition in ("closed_us >= ", "closed_us < ", "chamber IN", "gas IN", "quality IN"):
        assert condition in text.replace('"', ""), (condition, text)
    assert 1 <= len(table) <= 8


@pytest.mark.parametrize("name", TABLES)
def test_every_table_comes_in_every_form(name: str, own: stream.Station) -> None:
    """The same cells as pandas, Arrow and xarray; units of UDUNITS in each."""
    from cf_units import Unit

    some = {} if name == "refused" else {"start": "2026-06-15", "stop": "2026-06-15"}
    call = getattr(own, name)
    if name == "records":
        some = {"start": "2026-06-15T04:00Z", "stop": "2026-06-15T04:10Z"}
    frame, table, made = (call(**some, as_=as_) for as_ in ("pandas", "arrow", "xarray"))
    assert list(frame.columns) == table.column_names == list(made.variables)
    assert len(frame) == table.num_rows == made.sizes["obs"]
    if name not in {"notes", "vials", "refused", "gaps"}:
        assert len(frame) > 0
    assert frame.attrs["station"] == made.attrs["station"] == "vellmark"
    for column, unit in frame.attrs["units"].items():
        assert not Unit(unit).is_unknown()
        assert made[column].attrs["units"] == unit
        assert table.schema.field(column).metadata[b"unit"].decode() == unit
        np.testing.assert_array_equal(frame[column].to_numpy(), made[column].to_numpy())
    for column in frame.columns:
        assert frame.attrs["meanings"][column].endswith(".")
        if column.endswith("_at") or column == "time":
            assert str(frame[column].dtype) == "datetime64[us, UTC]"


def test_arrow_and_netcdf_can_be_written(own: stream.Station, tmp_path: object) -> None:
    import xarray as xr

    made = own.fluxes("N2O", as_="xarray")
    path = f"{tmp_path}/n2o.nc"
    made.to_netcdf(path, engine="h5netcdf")
    with xr.open_dataset(path, engine="h5netcdf") as back:
        assert back["flux_nmol_m2_s"].attrs["units"] == "nmol m-2 s-1"
        np.testing.assert_array_equal(back["flux_nmol_m2_s"], made["flux_nmol_m2_s"])


def test_units_of_fluxes(own: stream.Station) -> None:
    """N2O is 28.0134 g of nitrogen a mole [CIAAW 2021: N 14.007], a day 86,400 s, a hectare
    10,000 m².
    """
    plain, grams = own.fluxes("N2O"), own.fluxes("N2O", unit="g N ha-1 d-1")
    k = 1e-9 * 2 * 14.007 * 86_400 * 1e4
    np.testing.assert_allclose(grams["flux_g_N_ha_d"], plain["flux_nmol_m2_s"] * k, rtol=1e-6)
    np.testing.assert_allclose(
        grams["flux_se_g_N_ha_d_linear"], plain["flux_se_nmol_m2_s_linear"] * k, rtol=1e-6
    )
    assert grams.attrs["units"]["flux_g_N_ha_d"] == "g N ha-1 d-1"
    for name in ("daily", "hourly", "field"):
        days = {"start": "2026-06-15", "stop": "2026-06-16"}
        a = getattr(own, name)("N2O", **days)
        b = getattr(own, name)("N2O", **days, unit="g N ha-1 d-1")
        assert a["flux_nmol_m2_s"].notna().sum() > 3
        np.testing.assert_allclose(b["flux_g_N_ha_d"], a["flux_nmol_m2_s"] * k, rtol=1e-6)


def test_days_are_those_of_the_export(own: stream.Station) -> None:
    """Twelve chambers, two days, three gases; rain as the field log has it."""
    days = own.daily(start="2026-06-15", stop="2026-06-16")
    assert len(days) == 12 * 3 * 2
    assert set(days["rain_mm"].dropna()) == {12.0, 0.0}
    hours = own.hourly("N2O", start="2026-06-15", stop="2026-06-15")
    one = hours[hours["chamber"] == "A1"]
    mean = np.average(one["flux_nmol_m2_s"], weights=one["coverage"])
    day = days[(days["chamber"] == "A1") & (days["gas"] == "N2O")].iloc[0]
    if not np.isnan(day["flux_nmol_m2_s"]) and "diel" not in day["flags"]:
        assert mean == pytest.approx(day["flux_nmol_m2_s"], rel=0.1)
    field = own.field("N2O", start="2026-06-15", stop="2026-06-15")
    assert set(field["level"]) == {"plot", "treatment"}
    season = own.season("N2O", start="2026-06-15", stop="2026-06-16")
    assert season["total_kg_ha"].notna().any()


def test_records_are_those_of_the_journal(own: stream.Station) -> None:
    frame = own.records(["n2o", "t_a1"], start="2026-06-15T04:00Z", stop="2026-06-15T05:00Z")
    assert list(frame.columns) == ["station", "time", "n2o", "t_a1"]
    assert frame.attrs["units"] == {"n2o": "nmol mol-1", "t_a1": "degree_Celsius"}
    assert frame["time"].is_monotonic_increasing
    assert frame["time"].is_unique
    assert frame["time"].max() - frame["time"].min() < timedelta(hours=1)
    data = own._data()
    from stream.api.asking import selection

    asked: Selection = selection(data.file.station, "2026-06-15T04:00Z", "2026-06-15T05:00Z")
    series = data.journal.read({"n2o", "t_a1"}, asked.period.first_us, asked.period.stop_us - 1)
    for channel in ("n2o", "t_a1"):
        mine = frame.loc[frame[channel].notna(), ["time", channel]]
        kept = series[channel].filled()
        assert mine["time"].astype("int64").tolist() == kept.times.tolist()
        assert mine[channel].tolist() == kept.values.tolist()
    assert len(frame) > 1000


def test_missed_closures_and_rejected_lines(own: stream.Station) -> None:
    gaps = own.gaps()
    assert list(gaps.columns[:3]) == ["station", "chamber", "closed_at"]
    assert {"flags", "quality"} <= set(gaps.columns)
    assert list(own.refused().columns) == ["station", "source", "line", "reason", "text"]


def test_what_a_station_prints(own: stream.Station) -> None:
    text = repr(own)
    assert "vellmark 'Vellmark ridge potatoes', read only" in text
    assert "A1, A2" in text
    assert "2026-06-14T23:05:00Z" in text
    assert own.channels["n2o"] == "nmol/mol"
    assert own.config.closure.dead_band_s == 30.0
