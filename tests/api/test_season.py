"""``stream.season``: a season from a table, on seasons made event by event whose truth is known."""

from datetime import UTC
from typing import Any

import numpy as np
import pandas as pd
import pytest
from event_records import CASES, Record, record

import stream
from stream.api.season_frames import field_of, span_of
from stream.science.flux.constants import ELEMENT_MASS

POSITIONS = {"ridge": 0.55, "furrow": 0.35, "tramline": 0.10}
SEEDS = (701, 702, 703)
"""Neither those that anything was set on, nor those of the bench."""


def season_of(r: Record, **other: Any) -> stream.SeasonResult:
    given: dict[str, Any] = {
        "start": r.start,
        "end": r.end,
        "positions": POSITIONS,
        "nitrogen_kg_ha": r.nitrogen_kg_ha,
        "reference": "none",
        "events": r.events,
        **other,
    }
    return stream.season(given.pop("fluxes", r.fluxes), given.pop("weather", r.weather), **given)


@pytest.fixture(scope="module")
def whole() -> Record:
    return record(SEEDS[0], CASES["no_gaps"])


@pytest.fixture(scope="module")
def wet() -> Record:
    return record(SEEDS[1], CASES["wet_20"])


@pytest.fixture(scope="module")
def of_wet(wet: Record) -> stream.SeasonResult:
    return season_of(wet)


def test_without_gaps_totals_are_integrals(whole: Record) -> None:
    """Trapezoid of numpy over each chamber's fluxes, by area."""
    found = season_of(whole).plots.set_index("plot")
    begin = pd.Timestamp(whole.start, tz="UTC")
    sums: dict[str, float] = {}
    for _, mine in whole.fluxes.groupby("chamber"):
        t = (pd.to_datetime(mine["mid_at"], utc=True) - begin).dt.total_seconds().to_numpy()
        inside = np.trapezoid(mine["flux_nmol_m2_s"].to_numpy(), t)
        row = mine.iloc[0]
        part = POSITIONS[row["position"]] * inside * 1e-9 * ELEMENT_MASS["N2O"][1] * 10.0
        sums[str(row["plot"])] = sums.get(str(row["plot"]), 0.0) + part
    assert found["total_kg_ha"].to_dict() == pytest.approx(sums, rel=0.01)
    assert (found["verdict"] == "season").all()
    assert (found["share_days"] > 0.99).all()


def test_wet_gaps_are_neither_passed_over_nor_promised_away() -> None:
    estimated, true, held = 0.0, 0.0, []
    for seed in SEEDS:
        r = record(seed, CASES["wet_40"])
        plots = season_of(r).plots
        truth = np.array([r.truth["plots"][p] for p in plots["plot"]])
        estimated, true = estimated + plots["total_kg_ha"].sum(), true + truth.sum()
        low, high = plots["total_low_kg_ha"], plots["total_high_kg_ha"]
        held += ((low <= truth) & (truth <= high)).tolist()
        assert (plots["share_days"] < 0.65).all()
    assert estimated / true == pytest.approx(1.0, abs=0.1)
    assert np.mean(held) > 0.6


def test_the_treatment_is_less_certain_than_its_plots(of_wet: stream.SeasonResult) -> None:
    t = of_wet.treatments
    assert (t["total_low_kg_ha"] < t["these_plots_low_kg_ha"]).all()
    assert (t["total_high_kg_ha"] > t["these_plots_high_kg_ha"]).all()
    mean = of_wet.plots.groupby("treatment")["total_kg_ha"].mean()
    assert t.set_index("treatment")["these_plots_kg_ha"].to_dict() == pytest.approx(mean.to_dict())


def test_the_factor_is_the_difference_over_the_nitrogen(of_wet: stream.SeasonResult) -> None:
    t = of_wet.treatments.set_index("treatment")["total_kg_ha"]
    (factor,) = of_wet.factors.to_dict("records")
    assert factor["factor_percent"] == pytest.approx(100.0 * (t["full"] - t["none"]) / 120.0)
    assert factor["factor_low_percent"] < factor["factor_percent"] < factor["factor_high_percent"]


def test_the_order_of_rows_and_what_is_not_usable_change_nothing(
    wet: Record, of_wet: stream.SeasonResult
) -> None:
    rows = wet.fluxes.assign(quality=1)
    worse = rows.iloc[::7].assign(quality=4, flux_nmol_m2_s=1e6)
    worse["mid_at"] = pd.to_datetime(worse["mid_at"]) + pd.Timedelta("20min")
    by_hand = rows.iloc[::9].assign(sampling="manual", flux_nmol_m2_s=1e6)
    rows = rows.assign(mid_at=pd.to_datetime(rows["mid_at"]))
    by_hand["mid_at"] = pd.to_datetime(by_hand["mid_at"]) + pd.Timedelta("40min")
    # Chambers stand in the order in which they come.
    mixed = pd.concat([rows.iloc[: rows["chamber"].ne(rows["chamber"].iloc[0]).argmax()]])
    assert len(mixed)
    every = pd.concat([rows, worse, by_hand]).sort_values("chamber", kind="stable")
    first = {c: i for i, c in enumerate(dict.fromkeys(rows["chamber"]))}
    every = every.assign(at=every["chamber"].map(first)).sort_values(
        ["at", "flux_nmol_m2_s"], kind="stable"
    )
    again = season_of(wet, fluxes=every.drop(columns="at"))
    pd.testing.assert_frame_equal(again.plots, of_wet.plots)


def test_few_days_have_no_total_but_that_of_the_days(whole: Record) -> None:
    at = pd.to_datetime(whole.fluxes["mid_at"], utc=True)
    begin = pd.Timestamp(whole.start, tz="UTC")
    few = whole.fluxes[(at >= begin + pd.Timedelta(days=30)) & (at < begin + pd.Timedelta(days=36))]
    found = season_of(whole, fluxes=few)
    assert set(found.plots["verdict"]) == {"no total"}
    assert (
        found.plots[["total_kg_ha", "total_low_kg_ha", "total_high_kg_ha"]].isna().to_numpy().all()
    )
    assert found.treatments[["total_kg_ha", "these_plots_kg_ha"]].isna().to_numpy().all()
    assert found.factors["factor_percent"].isna().all()
    first, last = begin.date() + pd.Timedelta(days=30), begin.date() + pd.Timedelta(days=35)
    assert (found.plots["covered_from"] >= first).all()
    assert (found.plots["covered_to"] <= last).all()
    assert (found.plots["covered_kg_ha"] > 0).all()


def test_a_position_without_flux_leaves_no_total_and_is_named(wet: Record) -> None:
    rows = wet.fluxes[~((wet.fluxes["treatment"] == "full") & (wet.fluxes["position"] == "furrow"))]
    found = season_of(wet, fluxes=rows).treatments.set_index("treatment")
    assert np.isnan(found.loc["full", "total_kg_ha"])
    assert found.loc["full", "missing_positions"] == "furrow"
    assert found.loc["none", "total_kg_ha"] > 0


def test_irrigation_of_one_treatment_is_water_for_that_one_alone() -> None:
    """Irrigation comes to the rain; rain that was written down is that of the gauge."""
    weather = pd.DataFrame(
        {"rain_mm": [4.0, 0.0, 2.0], "air_temperature_c": [9.0, 10.0, np.nan]},
        index=pd.date_range("2026-05-01", periods=3),
    )
    events = pd.DataFrame(
        [
            ("2026-05-01", "irrigation", "wet", 25.0),
            ("2026-05-02", "rain", "", 3.0),
            ("2026-05-03", "rain", "", 1.0),
            ("2026-05-02", "fertilizer", "wet", 40.0),
            ("2026-05-03", "fertilizer", "wet", 80.0),
            ("2026-05-03", "tillage", "", None),
        ],
        columns=["day", "kind", "treatment", "amount"],
    )
    span = span_of("2026-05-02", "2026-05-04", UTC)
    found = field_of(weather, events, ["wet", "dry"], span)
    assert found.water_mm["wet"].tolist() == [29.0, 3.0, 2.0, 0.0]
    assert found.water_mm["dry"].tolist() == [4.0, 3.0, 2.0, 0.0]
    assert found.doses["wet"] == [(0, pytest.approx(2 / 3)), (1, pytest.approx(4 / 3))]
    assert found.doses["dry"] == []


def test_yields(wet: Record, of_wet: stream.SeasonResult) -> None:
    found = season_of(wet, yield_t_ha={"full": 8.0}).treatments.set_index("treatment")
    total = of_wet.treatments.set_index("treatment")["total_kg_ha"]
    assert found.loc["full", "per_yield_kg_t"] == pytest.approx(total["full"] / 8.0)
    assert np.isnan(found.loc["none", "per_yield_kg_t"])


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"start": "soon"}, "start: 'soon' is not a day; write 2026-06-01, or give a date"),
        ({"end": "2020-01-01"}, "end: 2020-01-01 is before start, 2027-04-12"),
        ({"timezone": "Mars"}, "timezone: 'Mars' is unknown"),
        ({"positions": {"ridge": 0.5, "furrow": 0.1}}, "positions: shares of the area sum to 0.6"),
        ({"positions": {"ridge": 1.0}}, "positions: no share of the area for 'furrow', 'tramline'"),
        ({"positions": {"ridge": 1.5, "furrow": -0.5}}, "positions: a share of the area is below"),
        ({"reference": "nothing"}, "reference: no treatment 'nothing'; fluxes have 'full', 'none'"),
        ({"nitrogen_kg_ha": {"ful": 120.0}}, "nitrogen_kg_ha: no treatment 'ful'; fluxes have"),
        ({"yield_t_ha": {"full": -1.0}}, "yield_t_ha: -1.0 of 'full' is not an amount"),
        (
            {"start": "2031-01-01", "end": "2031-02-01"},
            "fluxes: none from 2031-01-01 to 2031-02-01",
        ),
    ],
)
def test_what_does_not_fit_is_one_line(wet: Record, change: dict[str, Any], said: str) -> None:
    with pytest.raises(stream.LidstreamError) as told:
        season_of(wet, **change)
    assert str(told.value).startswith(said)
    assert "\n" not in str(told.value)


def test_frames_that_are_not_as_they_should_be_are_one_line(wet: Record) -> None:
    rows, weather = wet.fluxes, wet.weather
    naive = pd.to_datetime(rows["mid_at"]).dt.tz_localize(None)
    moved = rows.assign(plot=np.where(np.arange(len(rows)) % 2, rows["plot"], "elsewhere"))
    cases: list[tuple[dict[str, Any], str]] = [
        ({"fluxes": rows.drop(columns="block")}, "fluxes: no column block; needed are chamber,"),
        ({"fluxes": rows.assign(mid_at=naive)}, "fluxes: mid_at has no offset from UTC"),
        ({"fluxes": rows.assign(flux_nmol_m2_s="much")}, "fluxes: flux_nmol_m2_s: not a number"),
        ({"fluxes": rows.assign(quality=4)}, "fluxes: no usable row"),
        ({"fluxes": rows.assign(gas="laughter")}, "fluxes: gas 'laughter' is not known"),
        ({"fluxes": moved}, "fluxes: chamber "),
        ({"weather": weather.drop(columns="rain_mm")}, "weather: no column rain_mm"),
        (
            {"weather": weather.reset_index(drop=True).set_axis(["x"] * len(weather))},
            "weather: ind",
        ),
        ({"weather": weather.assign(rain_mm=-1.0)}, "weather: rain_mm is below zero"),
        ({"events": wet.events.drop(columns="kind")}, "events: no column kind"),
    ]
    for change, said in cases:
        with pytest.raises(stream.LidstreamError) as told:
            season_of(wet, **change)
        assert str(told.value).startswith(said), str(told.value)
        assert "\n" not in str(told.value)
