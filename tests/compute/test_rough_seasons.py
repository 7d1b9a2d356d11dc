"""Seasons of 60 days with fog, frost, heat, ponding, still nights, livestock and fertilizer, made
by another simulator than the checks were set on: nothing is wrong, and nothing may be said.
Then mistakes in the same weather, which must be found.
"""

from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from rough_nature import nature
from rough_stations import GASES, PLACES, Columns, Made, make

from stream.compute.replay import join
from stream.ingest.batches import tidy
from stream.report.summary.day_summary import summarize
from stream.station import load_station
from stream.store import open_store
from stream.store.results.readers import Row
from stream.store.station_data import StationData
from stream.times import SECOND

DAYS = 60
SEASONS = sorted(PLACES)


class Outcome:
    """Flux rows of a stretch, and the tasks of its mornings."""

    def __init__(self, made: Made, folder: Path, kind: str, season: str, every: int) -> None:
        path = folder / "station.toml"
        path.write_text(made.text)
        file = load_station(path)
        with closing(open_store(file.database_url)) as store:
            parts = join(file, store)
            for batch in _batches(made.columns):
                parts.intake.take(batch)
            parts.settlement.settle()
            data = StationData.over(file, store)
            self.rows: list[Row] = [r for r in data.reader.fluxes() if r["revision"]]
            first = datetime.fromtimestamp(PLACES[kind, season].first_s, UTC).date()
            last = max(int(t[-1]) for t, _ in made.columns.values())
            days = (last - PLACES[kind, season].first_s) // 86_400
            self.tasks: list[str] = []
            # The first and the last day at the station are cut by the records' ends.
            for k in range(1, days, every):
                for t in summarize(data, first + timedelta(days=k)).tasks:
                    self.tasks.append(f"{t.where} | {t.what} | {t.why}")


def _batches(columns: Columns) -> Iterator[object]:
    groups: dict[int, list[str]] = {}
    for name, (t, _) in columns.items():
        groups.setdefault(len(t), []).append(name)
    for names in groups.values():
        t = columns[names[0]][0]
        size = 5 * 8640
        for i in range(0, len(t), size):
            part = slice(i, i + size)
            values = {name: columns[name][1][part] for name in names}
            yield tidy("made.csv", t[part] * SECOND, values, np.arange(2, 2 + len(t[part])))


def test_the_weather_is_rough() -> None:
    """Or the seasons would prove little."""
    found = {key: nature(place) for key, place in PLACES.items()}
    every = list(found.values())
    assert min(n.air_c.min() for n in every) < -8.0
    assert max(n.air_c.max() for n in every) > 33.0
    assert min(n.soil_c.min() for n in every) < -2.0
    assert max(n.co2.max() for n in every) > 1000.0
    assert min(n.co2.min() for n in every) < 380.0
    assert max(n.ch4.max() for n in every) > 7000.0
    assert any(n.ponded.any() for n in every)
    # Fog: vapour at saturation, by Buck's formula, for an hour at least.
    assert any((n.water > 0.0).all() for n in every)
    for n in every:
        assert np.ptp(n.pressure_pa) > 4000.0


@pytest.mark.parametrize(("kind", "season"), SEASONS)
def test_nothing_is_said_of_a_clean_season(tmp_path: Path, kind: str, season: str) -> None:
    made = make(kind, season, DAYS)
    found = Outcome(made, tmp_path, kind, season, every=1 if kind == "own" else 3)
    assert len(found.rows) > 8000
    flags = Counter(f for r in found.rows for f in r["flags"].split())
    # How a flux is to be read, and no fault.
    assert set(flags) <= {"below_detection"}
    assert {r["quality"] for r in found.rows} == {1}
    assert found.tasks == []
    for gas in GASES:
        pairs = np.array(
            [
                (made.truth[key], r["flux_nmol_m2_s"])
                for r in found.rows
                if r["gas"] == gas
                and (key := (r["chamber"], r["closed_us"] // SECOND, gas)) in made.truth
            ]
        )
        assert len(pairs) > 2500
        error = np.median((pairs[:, 1] - pairs[:, 0]) / np.abs(pairs[:, 0]))
        assert abs(error) < 0.05, "the seasons are as honest as their truth"


def scaled(name: str, factor: float) -> Callable[[Columns], None]:
    def change(columns: Columns) -> None:
        t, v = columns[name]
        columns[name] = (t, v * factor)

    return change


def exchanged(a: str, b: str) -> Callable[[Columns], None]:
    def change(columns: Columns) -> None:
        columns[a], columns[b] = columns[b], columns[a]

    return change


def late(columns: Columns) -> None:
    for name, (t, v) in columns.items():
        columns[name] = (t + 6 * 3600, v)


def leaking(columns: Columns) -> None:
    """The valve of the higher standard lets some through into every sample."""
    t, v = columns["nitrous"]
    port = columns["port"][1]
    columns["nitrous"] = (t, np.where(port < 15, v + 0.15 * (1200.0 - v), v))


def dried(columns: Columns) -> None:
    """The analyzer writes dry mole fractions already."""
    water = columns["vapour"][1] / 1e3
    for name in ("nitrous", "methane", "carbon"):
        t, v = columns[name]
        columns[name] = (t, v / (1.0 - water))


def nothing(_: Columns) -> None:
    """The records are right."""


def same(text: str) -> str:
    return text


MISTAKES = [
    ("lids exchanged", "own", same, exchanged("lid1", "lid4"), "their lids may be exchanged"),
    ("N2O in ppm", "own", same, scaled("nitrous", 1e-3), "1/1,000 of outdoor air"),
    ("CO2 in ppb", "own", same, scaled("carbon", 1e3), "1,000 times outdoor air"),
    ("N2O and CH4 exchanged", "own", same, exchanged("nitrous", "methane"),
     "columns may be exchanged"),
    ("N2O and CO2 exchanged", "own", same, exchanged("nitrous", "carbon"),
     "columns may be exchanged"),
    ("moist declared dry", "own", lambda x: x.replace('basis = "wet"', 'basis = "dry"'), nothing,
     'basis = "wet"'),
    ("dry declared moist", "own", same, dried, 'basis = "dry"'),
    ("N2O 12 % low", "own", same, scaled("nitrous", 0.88), "below outdoor air"),
    ("lag of 70 s", "own", lambda x: x.replace("lag_s = 7.0", "lag_s = 70.0"), nothing,
     "lags by"),
    ("lag of 70 s", "shared", lambda x: x.replace("lag_s = 7.0", "lag_s = 55.0"), nothing,
     "lags by"),
    ("clock off", "own", same, late, "solar time"),
    ("clock off", "shared", same, late, "solar time"),
    ("pressure in kPa", "own", same, scaled("baro", 0.1), "in kPa, that is"),
    ("sea level", "shared", same, scaled("baro", 1.113), "sea level"),
    ("standard leaks", "shared", same, leaking, "a standard gas leaking into the sampling line"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "file", "records", "words"),
    [m[1:] for m in MISTAKES],
    ids=[f"{m[0]}-{m[1]}" for m in MISTAKES],
)
def test_mistakes_in_rough_weather(
    tmp_path: Path,
    kind: str,
    file: Callable[[str], str],
    records: Callable[[Columns], None],
    words: str,
) -> None:
    made = make(kind, "spring", 10)
    columns = dict(made.columns)
    records(columns)
    found = Outcome(Made(file(made.text), columns, made.truth), tmp_path, kind, "spring", every=2)
    assert any(words in t for t in found.tasks), found.tasks
    if "lids" in words:
        # One task for the cause, none for the curves that it spoils.
        assert not [t for t in found.tasks if "poor fit" in t or "no co2 rise" in t]
