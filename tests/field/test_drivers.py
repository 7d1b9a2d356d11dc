"""Drivers beside daily fluxes: joined by day, and ranked against scipy."""

from pathlib import Path

import numpy as np
import pytest
import seasons
from scipy import stats

from stream.field.days import chamber_days, daily_rows
from stream.field.drivers import DRIVERS, correlations, drivers_of
from stream.station import Station
from stream.station.models import FieldEvent


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Station:
    return seasons.load(tmp_path_factory.mktemp("drivers"), seasons.station_text())


def test_drivers_by_the_day(station: Station) -> None:
    """Means of the day's closures for sensors; days since rain of over 1 mm, and since the
    fertilizer of the chamber's own treatment.
    """
    days, series, _ = seasons.season(station, 1, missing=0.0)
    rain = {12: 22.0, 14: 0.5, 33: 22.0}
    fed, unfed = series[0], next(s for s in series if s.chamber.treatment == "unfertilized")
    got = drivers_of(station, fed, days, rain)
    assert set(got) == set(DRIVERS)
    on = np.floor(fed.t_h / 24.0) == 5
    assert got["soil_temperature_c"][5] == pytest.approx(fed.temperature_c[on].mean())
    assert got["soil_moisture_m3_m3"][5] == pytest.approx(fed.moisture[on].mean())
    assert got["rain_mm"][[11, 12, 14]].tolist() == [0.0, 22.0, 0.5]
    assert np.isnan(got["days_since_rain"][11])
    assert got["days_since_rain"][[12, 14, 32, 33, 40]].tolist() == [0, 2, 20, 0, 7]
    assert got["days_since_fertilizer"][[10, 49, 50]].tolist() == [0, 39, 0]
    assert np.isnan(drivers_of(station, unfed, days, rain)["days_since_fertilizer"]).all()


def test_irrigation_of_one_treatment_is_no_rain_on_another(station: Station) -> None:
    days, series, _ = seasons.season(station, 1, missing=0.0)
    fed, unfed = series[0], next(s for s in series if s.chamber.treatment == "unfertilized")
    event = FieldEvent(
        kind="irrigation", day=days.day(20), amount=15.0, treatment=fed.chamber.treatment
    )
    with_it = station.model_copy(update={"events": (*station.events, event)})
    mine, theirs = (drivers_of(with_it, s, days, {12: 22.0}) for s in (fed, unfed))
    assert mine["rain_mm"][[12, 20]].tolist() == [22.0, 15.0]
    assert theirs["rain_mm"][[12, 20]].tolist() == [22.0, 0.0]
    assert mine["days_since_rain"][25] == 5
    assert theirs["days_since_rain"][25] == 13


def test_going_together_by_scipy(station: Station) -> None:
    """Of one chamber it is scipy's Spearman; of a driver that makes the flux it is near one."""
    days, series, _ = seasons.season(station, 2, missing=0.0)
    chamber = [chamber_days(station, series[0], days)]
    rain = {12: 22.0, 33: 22.0, 54: 22.0, 84: 22.0}
    found = {g.driver: g for g in correlations(station, chamber, days, rain)}
    values = drivers_of(station, series[0], days, rain)["soil_moisture_m3_m3"]
    both = ~np.isnan(values) & ~np.isnan(chamber[0].days.flux)
    rho = stats.spearmanr(chamber[0].days.flux[both], values[both]).statistic
    assert found["soil_moisture_m3_m3"].rho == pytest.approx(rho)
    assert found["soil_moisture_m3_m3"].days == both.sum()
    assert rho > 0.5, "pulses follow rain"
    assert found["days_since_rain"].rho < -0.3
    assert "wfps" not in found


def test_rows_have_their_drivers(station: Station, tmp_path: Path) -> None:
    days, series, _ = seasons.season(station, 3, missing=0.1)
    chambers = [chamber_days(station, s, days) for s in series[:2]]
    beside = [drivers_of(station, s, days, {12: 22.0}) for s in series[:2]]
    rows = list(daily_rows(station, chambers, days, beside))
    assert len(rows) == 2 * days.days
    assert rows[13]["days_since_rain"] == 1.0
    assert rows[3]["days_since_rain"] is None
    assert rows[12]["rain_mm"] == 22.0
