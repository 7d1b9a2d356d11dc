"""``stream.season``: a season from a table, on seasons made event by event whose truth is known."""

from datetime import UTC
from typing import Any

import numpy as np
import pandas as pd
import pytest
from event_records import CASES, Record, record

import stream
from stream.api.season_days import field_of, span_of
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
    assert found.water_mm["wet"].tolist() == [29.0, 3.0, 2.0, pytest.approx(np.nan, nan_ok=True)]
    assert found.water_mm["dry"].tolist() == [4.0, 3.0, 2.0, pytest.approx(np.nan, nan_ok=True)]
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
            "weather: no day from 2031-01-01 to",
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
        (
            {"fluxes": rows.assign(mid_at=naive)},
            "fluxes: mid_at '2027-04-12 00:03:45' has no offset",
        ),
        ({"fluxes": rows.assign(flux_nmol_m2_s="much")}, "fluxes: flux_nmol_m2_s: not a number"),
        ({"fluxes": rows.assign(quality=4)}, "fluxes: no usable row"),
        ({"fluxes": rows.assign(gas="laughter")}, "fluxes: gas 'laughter' is not known"),
        ({"fluxes": moved}, "fluxes: chamber "),
        ({"weather": weather.drop(columns="rain_mm")}, "weather: no column rain_mm"),
        (
            {"weather": weather.reset_index(drop=True).set_axis(["x"] * len(weather))},
            "weather: ind",
        ),
        ({"weather": weather.assign(rain_mm=-1.0)}, "weather: rain_mm is -1 on 2027-03-13"),
        ({"events": wet.events.drop(columns="kind")}, "events: no column kind"),
        ({"events": wet.events.assign(kind="fertiliser")}, "events: kind 'fertiliser' is unknown"),
        ({"events": wet.events.assign(treatment="ful")}, "events: no treatment 'ful'; fluxes have"),
        ({"events": [1]}, "events: a list; give a DataFrame"),
        ({"nitrogen_kg_ha": {"full": "120"}}, "nitrogen_kg_ha: {'full': '120'}; give names and"),
        ({"weather": weather.reset_index()}, "weather: index: 0 is not a day; write 2026-06-01"),
        ({"start": "12/4/2027"}, "start: '12/4/2027' is not a day"),
        (
            {"fluxes": rows.assign(flux_nmol_m2_s=-9999.0)},
            "fluxes: flux_nmol_m2_s is -9999, a",
        ),
        ({"fluxes": rows.assign(plot=rows["block"])}, "fluxes: plot '1' has chambers in block '1'"),
        (
            {"fluxes": pd.concat([rows, rows.assign(flux_nmol_m2_s=4.0)])},
            "fluxes: two N2O fluxes of chamber ",
        ),
    ]
    for change, said in cases:
        with pytest.raises(stream.LidstreamError) as told:
            season_of(wet, **change)
        assert str(told.value).startswith(said), str(told.value)
        assert "\n" not in str(told.value)


def constant(plots: list[tuple[str, str, float, Any]], hours: Any = range(2, 24, 4)) -> Any:
    """Thirty days: plots with a treatment, a flux, and the days on which it was measured."""
    begin = pd.Timestamp("2026-05-01", tz="UTC")
    return pd.DataFrame(
        [
            (
                f"{plot}{t}",
                plot,
                "",
                t,
                "",
                "N2O",
                begin + pd.Timedelta(days=d, hours=h),
                value,
                0.02,
            )
            for plot, t, value, days in plots
            for d in days
            for h in hours
        ],
        columns=[
            *("chamber", "plot", "block", "treatment", "position", "gas", "mid_at"),
            *("flux_nmol_m2_s", "flux_se_nmol_m2_s"),
        ],
    )


def in_may(fluxes: pd.DataFrame, rain: Any = 0.0, **other: Any) -> stream.SeasonResult:
    index = pd.date_range("2026-05-01", periods=30)
    weather = pd.DataFrame({"rain_mm": rain, "air_temperature_c": 15.0}, index=index)
    return stream.season(
        fluxes, weather, start="2026-05-01", end="2026-05-30", positions={}, **other
    )


KG = 30 * 86_400 * 1e-9 * ELEMENT_MASS["N2O"][1] * 10.0
"""Of one nmol m⁻² s⁻¹ over the thirty days [kg ha⁻¹]."""
MONTH = range(30)


def test_a_chamber_without_any_day_is_no_plot_that_emitted_nothing() -> None:
    found = in_may(
        constant([("1", "a", 2.0, MONTH), ("2", "a", 2.0, MONTH), ("3", "a", 2.0, [-40])])
    )
    (row,) = found.treatments.to_dict("records")
    assert row["plots"] == 2
    assert row["these_plots_kg_ha"] == pytest.approx(2.0 * KG, rel=0.01)
    assert row["total_kg_ha"] == pytest.approx(2.0 * KG, rel=0.01)


def test_names_of_plots_may_hold_any_sign_and_numbers_may_be_numbers() -> None:
    rows = constant([("N+I", "a", 1.0, MONTH), ("2", "a", 3.0, MONTH)])
    assert in_may(rows).treatments["total_kg_ha"][0] == pytest.approx(2.0 * KG, rel=0.01)
    numbered = rows.assign(plot=np.where(rows["plot"] == "2", 2.0, 1.0), block=np.nan)
    assert in_may(numbered).plots["plot"].tolist() == ["2", "1"]


def test_times_are_read_as_the_export_writes_them() -> None:
    """Some with half seconds, some without."""
    rows = constant([("1", "a", 2.0, MONTH), ("2", "a", 2.0, MONTH)])
    text = rows["mid_at"].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    text = text.where(
        np.arange(len(rows)) % 9 > 0, rows["mid_at"].dt.strftime("%Y-%m-%dT%H:%M:%S.5Z")
    )
    found = in_may(rows.assign(mid_at=text)).plots["total_kg_ha"]
    assert found.tolist() == pytest.approx([2.0 * KG, 2.0 * KG], rel=0.01)


def test_two_closures_a_day_are_days() -> None:
    found = in_may(constant([("1", "a", 2.0, MONTH), ("2", "a", 2.0, MONTH)], hours=(6, 18))).plots
    assert found["verdict"].tolist() == ["season", "season"]
    assert found["total_kg_ha"].tolist() == pytest.approx([2.0 * KG, 2.0 * KG], rel=0.02)


def test_hours_that_were_never_seen_make_no_season() -> None:
    found = in_may(
        constant([("1", "a", 2.0, MONTH), ("2", "a", 2.0, MONTH)], range(7, 20, 2))
    ).plots
    assert set(found["verdict"]) <= {"mostly modelled", "no total"}
    assert (found["share_days"] < 0.4).all(), "half of the half that was seen"


def test_a_plot_that_died_while_it_was_dry_is_taken_to_have_answered_the_rain() -> None:
    """Of three alike; the truth of the third is that of the others."""
    rain = np.zeros(30)
    rain[[10, 18]] = 20.0
    wet = 1.0 + 20.0 * np.exp(-np.abs(np.arange(30) - 12.0) / 2.0)
    rows = constant([(p, "a", 1.0, MONTH) for p in "123"])
    day = (rows["mid_at"] - pd.Timestamp("2026-05-01", tz="UTC")).dt.days
    rows["flux_nmol_m2_s"] = wet[day.to_numpy()] * (1.0 + 0.001 * np.arange(len(rows)) % 0.01)
    kept = rows[(rows["plot"] != "3") | (day < 8)]
    found = in_may(kept, rain).plots.set_index("plot")
    (treatment,) = in_may(kept, rain).treatments.to_dict("records")
    true = float(found.loc["1", "total_kg_ha"])
    assert treatment["these_plots_low_kg_ha"] < true < treatment["these_plots_high_kg_ha"]


def test_rain_that_nobody_knows_makes_a_gap_less_certain(wet: Record) -> None:
    whole = season_of(wet).plots
    begin = pd.Timestamp(wet.start)
    days = pd.DatetimeIndex(wet.weather.index)
    hidden = wet.weather.assign(
        rain_mm=wet.weather["rain_mm"].where(~((days >= begin) & (days.day_of_year % 3 == 0)))
    )
    unsure = season_of(wet, weather=hidden).plots
    width = [(f["total_high_kg_ha"] - f["total_low_kg_ha"]).mean() for f in (whole, unsure)]
    assert width[1] > width[0]
