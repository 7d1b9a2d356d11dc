"""Plots that hold all positions, or one each: totals are weighted by area, and days and season
agree. The fields are made here, by plain sums of areas.
"""

from datetime import date
from pathlib import Path

import numpy as np
import pytest
import seasons
from scipy import stats

from stream.field.days import chamber_days, treatment_days
from stream.field.replicates import designs
from stream.field.season import season_rows, totals_of
from stream.field.series import Calendar, FluxSeries, calendar
from stream.science.field.weights import spread_by_area, spread_over_positions
from stream.station import Chamber, Station

SHARES = seasons.POSITIONS
LEVEL = {"ridge": 40.0, "furrow": 5.0, "tramline": 15.0}
"""Fluxes of positions [nmol m⁻² s⁻¹]: a plain mean is far from the field's."""
TRUE = sum(SHARES[p] * LEVEL[p] for p in SHARES)
KG = 1.008504e-3 * 24.0
"""kg N ha⁻¹ of 1 nmol N2O m⁻² s⁻¹ over a day: 100.8504 µg N m⁻² h⁻¹ (derived)."""
FIRST, LAST = date(2026, 1, 5), date(2026, 1, 24)

Place = tuple[str, str, str]
"""Plot, block, position."""


def chamber(name: str, place: Place, treatment: str) -> Chamber:
    plot, block, position = place
    return Chamber.model_validate(
        {
            "id": name, "analyzer": "laser", "lid_channel": "lid_a1", "area_m2": 0.25,
            "air_temperature_channel": "t", "plot": plot, "block": block,
            "treatment": treatment, "position": position,
            "heights": [{"from": "2026-01-01T00:00:00+10:00", "height_m": 0.15}],
        }
    )  # fmt: skip


def field(
    places: dict[str, list[Place]], seed: int, *, spread: float, days: Calendar
) -> list[FluxSeries]:
    """Steady fluxes of chambers that differ by a share, eight a day, without gaps."""
    rng = np.random.default_rng(seed)
    found = []
    t = np.arange(-3.0, 24.0 * days.days + 3.0, 3.0)
    for treatment, mine in places.items():
        for k, place in enumerate(mine):
            own = LEVEL[place[2]] * (1.0 + spread * rng.standard_normal())
            zero = np.zeros(len(t))
            nothing = np.full(len(t), np.nan)
            found.append(
                FluxSeries(
                    chamber(f"{treatment[0].upper()}{k}", place, treatment), "N2O", t,
                    np.full(len(t), own), zero, zero, nothing, nothing, nothing, 0,
                )
            )  # fmt: skip
    return found


def whole(n: int) -> list[Place]:
    """Plots that hold all positions, a plot a block."""
    return [(f"{b}", f"{b}", p) for b in range(1, n + 1) for p in SHARES]


def split(n: int) -> list[Place]:
    """Plots that hold one position each, three of them a block."""
    return [(f"{b}{p[0]}", f"{b}", p) for b in range(1, n + 1) for p in SHARES]


def loose() -> list[Place]:
    """One position each, no blocks, and not as many of each."""
    counts = {"ridge": 3, "furrow": 4, "tramline": 2}
    return [(f"{p}{i}", "", p) for p, n in counts.items() for i in range(n)]


DESIGNS = {"whole": whole(4), "split": split(4), "loose": loose(), "mixed": [*whole(2), *split(4)]}


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Station:
    text = seasons.station_text().replace("[field]", '[field]\ngap_filling = "linear"')
    return seasons.load(tmp_path_factory.mktemp("season"), text)


@pytest.mark.parametrize("design", sorted(DESIGNS))
def test_a_field_is_weighted_by_area_however_plots_hold_it(station: Station, design: str) -> None:
    """Without noise between plots the total is that of the field; a plain mean is a third off."""
    days = calendar(station, FIRST, LAST)
    series = field({"split_rate": DESIGNS[design]}, 1, spread=0.0, days=days)
    totals = totals_of(station, series, days)
    (row,) = [r for r in season_rows(station, totals) if r["level"] == "treatment"]
    assert row["total_kg_ha"] == pytest.approx(TRUE * KG * days.days, rel=1e-5)
    plain = np.mean([s.flux[0] for s in series])
    assert abs(plain / TRUE - 1.0) > 0.25
    (t,) = treatment_days(station, [chamber_days(station, s, days) for s in series], days)
    assert t.flux == pytest.approx(np.full(days.days, TRUE), rel=1e-6)


@pytest.mark.parametrize("design", sorted(DESIGNS))
def test_days_and_season_agree(station: Station, design: str) -> None:
    """Where nothing is filled the days add up to the season; each chamber has a level of its
    own.
    """
    days = calendar(station, FIRST, LAST)
    series = field({"split_rate": DESIGNS[design]}, 2, spread=0.3, days=days)
    totals = totals_of(station, series, days)
    (row,) = [r for r in season_rows(station, totals) if r["level"] == "treatment"]
    (t,) = treatment_days(station, [chamber_days(station, s, days) for s in series], days)
    assert float(t.flux.sum()) * KG == pytest.approx(row["total_kg_ha"], rel=1e-6)
    (total,) = totals.gases[0].treatments
    assert total.cumulative[-1] == pytest.approx(row["total_kg_ha"], rel=1e-9)
    assert float(np.mean(t.se)) * KG * days.days == pytest.approx(row["total_se_kg_ha"], rel=0.01)


def test_what_a_replicate_is() -> None:
    cases = {
        "whole": ["1", "2", "3", "4"],
        "split": [f"{b}r+{b}f+{b}t" for b in (1, 2, 3, 4)],
    }
    for name, plots in cases.items():
        mine = [chamber(f"C{i}", p, "a") for i, p in enumerate(DESIGNS[name])]
        (found,) = designs(mine, SHARES)
        assert [r.plot for r in found.replicates] == plots
    mine = [chamber(f"C{i}", p, "a") for i, p in enumerate(loose())]
    (found,) = designs(mine, SHARES)
    assert len(found.replicates) == 1
    assert len(found.replicates[0].chambers) == 9
    (found,) = designs([c for c in mine if c.position != "tramline"], SHARES)
    assert (found.replicates, found.missing) == ((), ("tramline",))


def test_one_treatment_without_a_position_leaves_the_others(station: Station) -> None:
    days = calendar(station, FIRST, LAST)
    places = {
        "split_rate": split(3),
        "unfertilized": [p for p in split(3) if p[2] != "tramline"],
    }
    series = field(places, 3, spread=0.1, days=days)
    rows = {
        r["treatment"]: r
        for r in season_rows(station, totals_of(station, series, days))
        if r["level"] == "treatment"
    }
    assert rows["split_rate"]["total_kg_ha"] == pytest.approx(TRUE * KG * days.days, rel=0.2)
    assert rows["split_rate"]["plots"] == 3
    assert rows["unfertilized"]["total_kg_ha"] is None
    assert rows["unfertilized"]["missing_positions"] == "tramline"
    # No factor and no contrast rest on a total that there is not.
    assert "emission_factor_percent" not in rows["split_rate"]
    assert "less_reference_kg_ha" not in rows["split_rate"]


def test_positions_weighted_by_hand() -> None:
    """Shares .20, .65, .15 with errors 30, 4 and 12 make 6.782330 (derived): F = Σ wᵢ Fᵢ,
    se² = Σ wᵢ² seᵢ² [common practice].
    """
    shares = {"a": np.array([0.20]), "b": np.array([0.65]), "c": np.array([0.15])}
    flux = {"a": np.array([120.0]), "b": np.array([15.0]), "c": np.array([45.0])}
    spread = {"a": np.array([30.0]), "b": np.array([4.0]), "c": np.array([12.0])}
    zero = {k: np.array([0.0]) for k in flux}
    assert spread_by_area(flux, zero, spread, shares)[0] == pytest.approx(6.782330, rel=1e-6)


def test_freedom_by_welch() -> None:
    """Two positions are Welch's two samples (Student 1908, from memory): the standard error of
    the sum is that of the difference, with 17.776474 degrees of freedom.
    """
    a = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
    b = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])
    se, half = spread_over_positions([a, b])
    assert (b.mean() - a.mean()) / se == pytest.approx(1.860813, rel=1e-6)
    assert half / se == pytest.approx(stats.t.ppf(0.95, 17.776474), rel=1e-6)


def test_intervals_of_loose_plots_cover() -> None:
    """Two thousand fields of three, four and two plots whose levels differ by a fifth: the 90 %
    interval holds the field's own mean in its share of them.
    """
    rng = np.random.default_rng(1612)
    counts = {"ridge": 3, "furrow": 4, "tramline": 2}
    fields, inside = 2000, 0
    for _ in range(fields):
        values = [
            SHARES[p] * LEVEL[p] * (1.0 + 0.2 * rng.standard_normal(n)) for p, n in counts.items()
        ]
        _, half = spread_over_positions(values)
        inside += abs(sum(float(v.mean()) for v in values) - TRUE) <= half
    # Satterthwaite's freedom is an approximation, good to some hundredths.
    assert 0.87 <= inside / fields <= 0.93


def test_without_soil_sensors_gaps_are_filled_all_the_same(station: Station) -> None:
    """No soil temperature and no pore space: each way of filling does without."""
    days = calendar(station, FIRST, LAST)
    series = field({"split_rate": whole(2)}, 6, spread=0.1, days=days)
    for way in ("regression", "auto"):
        rules = station.field.model_copy(update={"gap_filling": way})
        totals = totals_of(station.model_copy(update={"field": rules}), series, days)
        assert totals.gases[0].treatments[0].total.value == pytest.approx(
            TRUE * KG * days.days, rel=0.2
        )


def test_the_page_and_the_report_say_why(tmp_path: Path, station: Station) -> None:
    from stream.report.season import _totals_table
    from stream.web.totals import Totals

    days = calendar(station, FIRST, LAST)
    places = {"split_rate": [p for p in whole(2) if p[2] != "furrow"], "unfertilized": whole(2)}
    totals = totals_of(station, field(places, 5, spread=0.1, days=days), days)
    table = _totals_table(totals.gases[0])
    assert table.rows[0][:3] == ("split_rate", "no total", "no flux at furrow")
    assert [s["name"] for s in Totals(totals, "").cumulative("N2O")] == ["unfertilized"]
