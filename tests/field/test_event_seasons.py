"""The seasons made event by event: their truth, by other ways, and what their gaps are."""

from datetime import date

import event_seasons as made
import numpy as np
import pandas as pd
import pytest
from event_records import CASES, Case, closure_times, interpolated_plots, record, station_outages
from event_weather import LEAD, Floats
from scipy import integrate, stats

DAYS = 60


def by_scipy(lag: Floats, rise: Floats, decay: Floats) -> Floats:
    """A pulse from SciPy's gamma density over its value at the mode."""
    pulse = stats.gamma(rise / decay + 1, scale=decay)
    return np.asarray(np.where(lag < made.WINDOW, pulse.pdf(lag) / pulse.pdf(rise), 0.0))


def chamber_totals(field: made.Field, step: float) -> Floats:
    """nmol m⁻² s⁻¹ d of each chamber, pulse by pulse: Simpson's rule over SciPy's gamma density.

    Shares no line with ``Field.flux`` but the weather's.
    """
    given = field.given
    t = np.linspace(0, DAYS, round(DAYS / step) + 1)
    warmth = given.weather.warmth(np.clip(t, 1e-9, DAYS - 1e-9))
    rise, decay = made.SHAPES[:, :1], made.SHAPES[:, 1:]
    total = field.steady * integrate.simpson(warmth, x=t)
    for e in range(len(given.at)):
        pulse = by_scipy(t - given.at[e], rise * given.rise[e], decay * given.decay[e])
        total += field.peak[:, e] * integrate.simpson(warmth * pulse, x=t)[field.shape[:, e]]
    for some in (field.own[k : k + 500] for k in range(0, len(field.own), 500)):
        chamber, at, peak, shape = (np.array(c) for c in zip(*some, strict=True))
        r, d = rise[shape], decay[shape] * given.soil.own_moment_decay
        of_one = integrate.simpson(warmth * by_scipy(t - at[:, None], r, d), x=t)
        np.add.at(total, chamber, peak * of_one)
    hats = np.eye(len(field.wander_at))
    area = [integrate.trapezoid(np.interp(t, field.wander_at, hat), t) for hat in hats]
    return np.asarray(total + field.wander @ np.array(area))


@pytest.mark.parametrize("soil", made.SOILS)
def test_a_plot_emitted_what_another_integration_finds(soil: str) -> None:
    """In steps of 3 min; the mass of N by hand."""
    field = made.season(7, made.SOILS[soil], DAYS, blocks=2)
    by_chamber = 1e-9 * 86400 * 28.0134 * 10 * chamber_totals(field, 1 / 480)
    shares = {0: 0.55, 1: 0.35, 2: 0.10}
    by_hand = np.zeros(4)
    for c, (plot, position) in enumerate(zip(field.plot, field.position, strict=True)):
        by_hand[plot] += shares[position] * by_chamber[c]
    np.testing.assert_allclose(field.plot_totals(), by_hand, rtol=1e-3)


@pytest.mark.parametrize("soil", ["arable", "pasture", "inert"])
def test_a_treatment_is_the_mean_over_many_fields(soil: str) -> None:
    """The field is drawn anew, the season stays; the mean is good to 1 %."""
    kind = made.SOILS["arable"].inert() if soil == "inert" else made.SOILS[soil]
    given = made.season(11, kind, DAYS).given
    wide = made.draw_field(np.random.default_rng(5), given, blocks=12_000)
    plots = wide.by_plot(made.KG_N_HA * chamber_totals(wide, 1 / 24))
    for k, expected in enumerate(given.expected()):
        error = float(stats.sem(plots[k::2]))
        assert error < 0.01 * expected
        assert abs(plots[k::2].mean() - expected) < 3.5 * error


def test_a_null_has_no_contrast_and_a_dose_has_one() -> None:
    null, real = record(3, CASES["null"]).truth, record(3, CASES["wet_20"]).truth
    assert null["difference"] == null["factor_percent"] == 0
    assert real["factor_percent"] > 0.2
    assert real["factor_percent"] == pytest.approx(100 * real["difference"] / 120)


def test_a_seed_is_a_season() -> None:
    first, again, other = (record(s, CASES["wet_20"]) for s in (21, 21, 22))
    for a, b in (
        (first.fluxes, again.fluxes),
        (first.weather, again.weather),
        (first.events, again.events),
    ):
        pd.testing.assert_frame_equal(a, b)
    assert first.truth == again.truth
    assert first.truth["plots"] != other.truth["plots"]
    gaps = record(21, CASES["random_40"])
    assert gaps.truth == first.truth, "cases share their seasons"
    kept = first.fluxes.merge(gaps.fluxes, on=["chamber", "mid_at"])
    assert (kept["flux_nmol_m2_s_x"] == kept["flux_nmol_m2_s_y"]).all()


def test_frames_are_those_that_a_station_gives() -> None:
    season = record(4, CASES["no_gaps"])
    fluxes = season.fluxes
    assert list(fluxes) == [
        "chamber",
        "plot",
        "block",
        "treatment",
        "position",
        "gas",
        "mid_at",
        "flux_nmol_m2_s",
        "flux_se_nmol_m2_s",
        "sampling",
    ]
    assert str(fluxes["mid_at"].dt.tz) == "UTC"
    assert fluxes["mid_at"].dt.date.min() == season.start
    assert fluxes["mid_at"].dt.date.max() == season.end
    assert fluxes["chamber"].nunique() == 24
    assert fluxes.groupby("plot")["position"].nunique().eq(3).all()
    assert 0.95 < len(fluxes) / (24 * 8 * 120) < 0.99
    assert len(season.weather) == LEAD + 120
    assert season.weather.index[LEAD].date() == season.start
    assert season.events["amount"].sum() == season.nitrogen_kg_ha["full"]
    assert (fluxes["flux_nmol_m2_s"] < 0).any()


def test_noise_is_what_is_told() -> None:
    season = record(4, CASES["no_gaps"])
    true = season.field.flux(closure_times(24, 120))[season.recorded]
    z = (season.fluxes["flux_nmol_m2_s"] - true) / season.fluxes["flux_se_nmol_m2_s"]
    assert stats.kstest(z, "norm").pvalue > 1e-3
    assert interpolated_plots(season) == pytest.approx(season.field.plot_totals(), rel=0.01)


@pytest.mark.parametrize("name", ["wet_20", "wet_40", "random_20", "random_40"])
def test_outages_take_their_share_and_wet_days_if_told(name: str) -> None:
    case = CASES[name]
    field = made.season(1, made.SOILS["arable"])
    rain = field.given.weather.rain_mm[LEAD - 1 :]
    soaked = np.repeat((rain[1:] >= 5) | (rain[:-1] >= 5), 24)
    rng = np.random.default_rng(8)
    down = np.array([station_outages(rng, field, case) for _ in range(300)])
    assert (down.mean(axis=1) == case.missing).all()
    ratio = down[:, soaked].mean() / down[:, ~soaked].mean()
    assert ratio > 1.3 if case.wet else 0.9 < ratio < 1.1


def test_a_month_and_a_dead_chamber() -> None:
    month = record(6, CASES["month"]).fluxes["mid_at"].sort_values().diff().max()
    assert pd.Timedelta(days=30) <= month < pd.Timedelta(days=30, hours=1)
    last = record(6, CASES["dead_chamber"]).fluxes.groupby("chamber")["mid_at"].max()
    assert (last.dt.date < date(2027, 7, 15)).sum() == 1


@pytest.mark.parametrize("blocks", [2, 3, 6])
def test_blocks(blocks: int) -> None:
    season = record(2, Case(blocks=blocks))
    assert season.fluxes["block"].nunique() == blocks
    assert season.fluxes["plot"].nunique() == 2 * blocks == len(season.truth["plots"])
