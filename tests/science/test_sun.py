"""The sun against an almanac's facts and a library's way of reckoning."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from stream.science.quality.air import declination, elevation_deg, is_dark, solar_hour, summer_share


def us(text: str) -> np.ndarray:
    return np.array([round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1e6)])


@pytest.mark.parametrize(
    ("day", "degrees"),
    [("2026-03-20T14:46", 0.0), ("2026-06-21T08:24", 23.436), ("2026-09-23T00:05", 0.0),
     ("2026-12-21T20:50", -23.436)],
)  # fmt: skip
def test_declination_at_equinox_and_solstice(day: str, degrees: float) -> None:
    """Times of the equinoxes and solstices of 2026, and the obliquity [Astronomical Almanac;
    from memory].
    """
    assert np.rad2deg(declination(us(day))[0]) == pytest.approx(degrees, abs=0.5)


@pytest.mark.parametrize(
    ("day", "minutes"), [("2026-02-11", -14.2), ("2026-05-14", 3.7), ("2026-11-03", 16.4)]
)
def test_the_equation_of_time(day: str, minutes: float) -> None:
    """Its turning points [Astronomical Almanac; from memory]."""
    at_noon = solar_hour(us(f"{day}T12:00"), 0.0)[0]
    assert 60 * (at_noon - 12.0) == pytest.approx(minutes, abs=0.6)


def test_elevation_by_turning_a_vector() -> None:
    """The same by another way: the sun as a vector in the frame of the equator, turned to the
    horizon.
    """
    rng = np.random.default_rng(3)
    start = datetime(2026, 1, 1, tzinfo=UTC)
    for _ in range(200):
        t = start + timedelta(hours=float(rng.uniform(0, 8760)))
        lat, lon = float(rng.uniform(-80, 80)), float(rng.uniform(-180, 180))
        times = np.array([round(t.timestamp() * 1e6)])
        d, h = declination(times)[0], (solar_hour(times, lon)[0] - 12.0) * np.pi / 12.0
        sun = np.array([np.cos(d) * np.cos(h), -np.cos(d) * np.sin(h), np.sin(d)])
        up = np.array([np.cos(np.deg2rad(lat)), 0.0, np.sin(np.deg2rad(lat))])
        found = elevation_deg(times, lat, lon)[0]
        assert np.sin(np.deg2rad(found)) == pytest.approx(float(sun @ up), abs=1e-9)


def test_day_and_night() -> None:
    """A June noon and midnight in Denmark; the polar night and day have none of the other."""
    assert not is_dark(us("2026-06-21T11:00"), 55.4, 9.7)[0]
    assert is_dark(us("2026-06-21T23:20"), 55.4, 9.7)[0]
    assert is_dark(us("2026-12-21T11:00"), 78.0, 15.0)[0]
    assert not is_dark(us("2026-06-21T23:00"), 69.0, 19.0)[0]


def test_the_seasons_are_turned_about_south_of_the_equator() -> None:
    july = us("2026-07-19T00:00")
    assert summer_share(july, 50.0)[0] == pytest.approx(1.0, abs=0.01)
    assert summer_share(july, -38.0)[0] == pytest.approx(-1.0, abs=0.01)
