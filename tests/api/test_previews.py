"""A preview is what the settlement would store, to the bit; settings change what they name."""

import copy
import pickle
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from rounds import run, station_text, vials, written

import stream
from stream.compute.replay import Pipeline
from stream.station import StationFile, load_station
from stream.store import Store

OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]


def same(a: float, b: float) -> bool:
    """Equal to the bit, or both unknown."""
    return a == b or (a != a and b != b)


def check_one(station: stream.Station, row: pd.Series) -> None:
    """A preview of a closure beside its stored row, and beside every model's stored fit."""
    closure = station.closure(row["chamber"], row["closed_at"])
    fit = closure.fit(row["gas"])
    assert same(fit.flux, row["flux_nmol_m2_s"])
    assert same(fit.flux_se, row["flux_se_nmol_m2_s"])
    assert same(fit.detection_limit, row["detection_limit_nmol_m2_s"])
    assert (fit.model, fit.reason, fit.nobs) == (row["model"], row["model_reason"], row["points"])
    assert (fit.quality, " ".join(fit.flags)) == (row["quality"], row["flags"])
    for name, model in fit.models.items():
        assert same(model.flux, row[f"flux_nmol_m2_s_{name}"])
        assert same(model.flux_se, row[f"flux_se_nmol_m2_s_{name}"])


def test_a_preview_with_the_station_s_settings_is_what_is_stored(either: stream.Station) -> None:
    """Every closure that is over, and one gas of each by turns."""
    rows = either.fluxes()
    rows = rows[rows["revision"] > 0].reset_index(drop=True)
    assert len(rows) > 250
    picked = rows[rows.index % 4 == 0]
    assert set(picked["gas"]) == set(either.gases)
    assert set(picked["chamber"]) == set(either.chambers)
    for _, row in picked.iterrows():
        check_one(either, row)


def test_a_refit_with_the_station_s_settings_is_what_is_stored(either: stream.Station) -> None:
    """All of a day, from the lids on: no number and no word differs."""
    day = either.fluxes()["closed_at"].iloc[5].tz_convert(str(either.config.station.timezone))
    table = either.refit(day.date(), day.date())
    assert len(table) > 150
    for name in ("flux_nmol_m2_s", "flux_se_nmol_m2_s", "model", "points", "quality", "flags"):
        old, new = table[name], table[f"{name}_tried"]
        settled = table["points"] > 0
        assert (old[settled].eq(new[settled]) | (old[settled].isna() & new[settled].isna())).all()
    assert (table["difference_nmol_m2_s"].dropna() == 0).all()
    assert table["difference_nmol_m2_s"].notna().sum() > 150


def test_a_closure_by_hand_is_previewed_from_its_vials(
    tmp_path: Path, database_url: str, open_parts: OpenParts
) -> None:
    path = tmp_path / "hand.toml"
    path.write_text(station_text())
    _, parts = open_parts(load_station(path), database_url)
    parts.hand.take("feb9.csv", written(vials()))
    parts.hand.take("run1.csv", written(run(vials())))
    parts.settlement.settle()
    station = stream.open_station(path, database_url)
    rows = station.fluxes()
    assert list(rows["chamber"]) == ["H1", "H2", "H3"]
    for _, row in rows.iterrows():
        check_one(station, row)
    samples = station.closure("H1", rows["closed_at"].iloc[0]).samples()
    assert samples["used"].all()
    assert len(samples) == 4
    table = station.vials()
    assert len(table) == 12
    # The run counts areas; the table and the closure speak of the air in the chamber.
    for _, row in rows.iterrows():
        mine = table[(table["chamber"] == row["chamber"])].sort_values("sampled_at")
        points = station.closure(row["chamber"], row["closed_at"]).samples()
        np.testing.assert_allclose(mine["mole_fraction"], points["mole_fraction"], rtol=1e-12)
        assert mine["mole_fraction"].between(300.0, 1200.0).all()
    assert list(table.columns[:4]) == ["station", "campaign", "line", "vial"]
    fit = station.closure("H2", rows["closed_at"].iloc[1]).fit("N2O", default="linear")
    assert (fit.model, fit.reason) == ("linear", "set_by_station_file")


def test_other_settings_change_what_they_name(own: stream.Station) -> None:
    rows = own.fluxes("N2O", quality="good")
    row = rows.iloc[3]
    closure = own.closure(row["chamber"], row["closed_at"])
    plain, late = closure.fit("N2O"), closure.fit("N2O", dead_band_s=90)
    assert plain.seconds[0] < 40
    assert late.seconds[0] >= 90
    assert late.nobs == (plain.seconds >= 90).sum()
    assert np.array_equal(late.mole_fraction, plain.mole_fraction[plain.seconds >= 90])
    assert late.flux != plain.flux
    assert late.settings == {"dead_band_s": 90}
    assert "dead_band_s = 90" in late.summary()
    one = closure.fit("N2O", candidates=["diffusive"])
    assert set(one.models) == {"diffusive"}
    again = own.closure(row["chamber"], row["closed_at"])
    assert again.fluxes["flux_nmol_m2_s"].eq(row["flux_nmol_m2_s"]).any()


def test_a_trial_over_a_period_is_its_previews(own: stream.Station) -> None:
    """What refit tells of a closure is what its own preview tells."""
    tried = own.with_settings(closure={"dead_band_s": 60}, analyzers={"laser": {"lag_s": 9.0}})
    assert "closure.dead_band_s = 60" in repr(tried)
    table = tried.refit("2026-06-15", "2026-06-15", gas="N2O", chamber=["A1", "B2"])
    assert set(table["chamber"]) == {"A1", "B2"}
    assert (table["difference_nmol_m2_s"].dropna() != 0).any()
    for _, row in table.dropna(subset=["difference_nmol_m2_s"]).iterrows():
        fit = tried.closure(row["chamber"], row["closed_at"]).fit("N2O")
        assert same(fit.flux, row["flux_nmol_m2_s_tried"])
        assert fit.flux - row["flux_nmol_m2_s"] == row["difference_nmol_m2_s"]
    unit = tried.refit("2026-06-15", "2026-06-15", gas="N2O", chamber="A1", unit="g N ha-1 d-1")
    assert "difference_g_N_ha_d" in unit
    assert unit.attrs["units"]["flux_g_N_ha_d_tried"] == "g N ha-1 d-1"


def test_tables_of_a_trial_are_what_its_settings_give(own: stream.Station) -> None:
    """With the settings of the station what is stored, to the bit; with others what refit tells."""
    same_settings = own.with_settings(closure={"dead_band_s": own.config.closure.dead_band_s})
    day = {"start": "2026-06-15", "stop": "2026-06-16"}
    stored, again = own.fluxes(**day), same_settings.fluxes(**day)
    over = stored["revision"] > 0
    shared = [c for c in stored.columns if c not in {"revision", "software_version"}]
    other = {"station_digest"}
    pd.testing.assert_frame_equal(
        stored.loc[over, shared].drop(columns=other).reset_index(drop=True),
        again[shared].drop(columns=other),
    )
    for name in ("hourly", "daily", "field", "season"):
        pd.testing.assert_frame_equal(
            getattr(own, name)("N2O", **day), getattr(same_settings, name)("N2O", **day)
        )
    tried = own.with_settings(closure={"dead_band_s": 120})
    fluxes = tried.fluxes("N2O", chamber="B2", quality=[1, 2], **day)
    refit = tried.refit(**day, gas="N2O", chamber="B2")
    refit = refit[refit["quality_tried"] <= 2]
    assert fluxes["flux_nmol_m2_s"].tolist() == refit["flux_nmol_m2_s_tried"].tolist()
    assert len(fluxes) > 5
    assert fluxes.attrs["trial"] == {"closure.dead_band_s": 120}
    a, b = (s.season("N2O", **day)["total_kg_ha"] for s in (own, tried))
    assert (a != b).any()


def test_a_trial_and_a_copy_read_for_themselves(own: stream.Station) -> None:
    """As the workers of a notebook do; a trial keeps its settings."""
    tried = own.with_settings(closure={"dead_band_s": 60})
    row = own.fluxes("N2O", quality="good").iloc[3]
    closure = tried.closure(row["chamber"], row["closed_at"])
    assert len(closure.fluxes) == 3
    sent = pickle.loads(pickle.dumps(closure))  # noqa: S301
    for again in (sent, copy.deepcopy(closure)):
        assert again.fit("N2O").flux == closure.fit("N2O").flux != row["flux_nmol_m2_s"]
    fit = closure.fit("N2O")
    assert (fit == closure.fit("N2O"), fit == fit, len({fit, fit})) == (False, True, 1)
    assert tried.refit("2026-06-15", "2026-06-15", chamber="A1").attrs["trial"] == {
        "closure.dead_band_s": 60
    }


def test_a_closure_tells_what_is_stored_of_it(either: stream.Station) -> None:
    row = either.fluxes("CO2", quality="good").iloc[2]
    closure = either.closure(row["chamber"], row["closed_at"])
    assert closure.closed_at == row["closed_at"]
    assert closure.closed_at.tzinfo is not None
    assert closure.window["CO2"] == (row["window_start_s"], row["window_end_s"])
    assert closure.conditions["volume_m3"] == row["volume_m3"]
    assert closure.conditions.attrs["units"]["pressure_pa"] == "Pa"
    assert list(closure.revisions["revision"]) == [row["revision"]]
    fits = closure.fits
    assert len(fits) == 9
    mine = fits[(fits["gas"] == "CO2") & (fits["model"] == row["model"])].iloc[0]
    assert mine["initial_slope_nmol_mol_s"] == row["initial_slope_nmol_mol_s"]
    samples = closure.samples("CO2")
    assert samples["used"].sum() == row["points"]
    assert (~samples["used"]).sum() > 20
    assert samples["seconds"].is_monotonic_increasing
    assert row["chamber"] in repr(closure)


def test_a_fit_predicts_prints_and_draws(own: stream.Station) -> None:
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib.figure import Figure

    row = own.fluxes("N2O", quality="good").iloc[0]
    fit = own.closure(row["chamber"], row["closed_at"]).fit("N2O")
    assert np.array_equal(fit.predict(), fit.fittedvalues)
    assert np.array_equal(fit.resid, fit.mole_fraction - fit.fittedvalues)
    assert fit.predict([0.0])[0] == pytest.approx(fit.params["start"])
    assert fit.ssr == pytest.approx((fit.resid**2).sum(), rel=1e-6)
    assert fit.df_resid == fit.nobs - len(fit.params)
    text = fit.summary()
    assert fit.model in text
    assert "preview, not stored" in text
    assert text._repr_html_().startswith("<pre>")
    axes = Figure().subplots()
    assert fit.plot(axes) is axes
    labels = [t.get_text() for t in axes.get_legend().get_texts()]
    assert "data points" in labels
    assert any(fit.reason in label for label in labels)
    assert axes.get_xlabel() == "time since the lid closed, s"
    assert len(fit.compare()) == 3
    assert fit.compare()["chosen"].sum() == 1
    g = fit.flux_in("g N ha-1 d-1")
    assert g.flux == pytest.approx(fit.flux * 1e-9 * 28.0134 * 86_400 * 1e4, rel=1e-4)
