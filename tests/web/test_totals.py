"""Totals of the page: which days they hold."""

from collections.abc import Callable
from contextlib import closing
from datetime import UTC, date, datetime

import numpy as np
import pytest

from stream.compute.replay import Pipeline
from stream.field.season import SeasonTotals
from stream.ingest.batches import tidy
from stream.station import StationFile
from stream.store import Store
from stream.store.station_data import StationData
from stream.times import SECOND
from stream.web import totals
from stream.web.totals import TotalsCache

Make = Callable[..., StationFile]
OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]


@pytest.mark.parametrize(
    ("last", "day"),
    [
        ("2026-02-04T23:59:58", 4),  # a logger's last record of a day is never at midnight
        ("2026-02-04T23:00:01", 4),
        ("2026-02-04T22:58:00", 3),
        ("2026-02-05T00:00:00", 4),
        ("2026-02-05T22:58:00", 4),
    ],
)
def test_the_last_day_is_the_last_whole_one(
    make_station: Make,
    open_parts: OpenParts,
    sqlite_url: str,
    monkeypatch: pytest.MonkeyPatch,
    last: str,
    day: int,
) -> None:
    """A day whose last hour was reached counts, by the standard time of the station."""
    file = make_station()
    first_us = _micros("2026-02-02T08:00:00")
    times = np.array([first_us, _micros(last)])
    store, parts = open_parts(file, sqlite_url)
    parts.intake.take(tidy("a.csv", times, {"n2o": np.array([330.0, 331.0])}, np.array([2, 3])))
    asked: list[tuple[date, date]] = []

    def seen(station: object, reader: object, journal: object, days: object) -> SeasonTotals:
        asked.append((days.day(0), days.day(days.days - 1)))  # type: ignore[attr-defined]
        return real(station, reader, journal, days)  # type: ignore[arg-type]

    real = totals.season_totals
    monkeypatch.setattr(totals, "season_totals", seen)
    with closing(store):
        TotalsCache().of(StationData.over(file, store))
    assert asked == [(date(2026, 2, 2), date(2026, 2, day))]


def test_no_whole_day_is_said(make_station: Make, open_parts: OpenParts, sqlite_url: str) -> None:
    file = make_station()
    times = np.array([_micros("2026-02-02T08:00:00"), _micros("2026-02-02T22:00:00")])
    store, parts = open_parts(file, sqlite_url)
    parts.intake.take(tidy("a.csv", times, {"n2o": np.array([330.0, 331.0])}, np.array([2, 3])))
    with closing(store):
        found = TotalsCache().of(StationData.over(file, store))
    assert found.totals is None
    assert found.why_not == "No whole day of the season has been recorded yet."


def _micros(station_time: str) -> int:
    """Of a time at the station, ten hours ahead of UTC all year."""
    moment = datetime.fromisoformat(station_time).replace(tzinfo=UTC)
    return (round(moment.timestamp()) - 10 * 3600) * SECOND
