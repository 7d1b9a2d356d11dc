"""Clean days of both kinds of station over simulated soil columns: nothing may be said.

The simulator is another than those that the checks were set on; ``tests/bench/clean_seasons.py``
runs it for whole seasons. A column that stores gas bends curves as no default candidate does, by
a small share of the rise: that is no poor fit.
"""

from collections import Counter
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from column_stations import season, write

from stream.compute.replay import replay
from stream.report.summary.day_summary import summarize
from stream.station import load_station
from stream.store import open_store
from stream.store.station_data import StationData
from stream.times import SECOND

DAYS, SEED = 3, 43


@pytest.mark.parametrize("kind", ["own", "shared"])
def test_nothing_is_said_of_clean_days(tmp_path: Path, kind: str) -> None:
    made = season(kind, SEED, DAYS)
    write(made, tmp_path)
    file = load_station(tmp_path / "station.toml")
    assert [*file.refused, *file.questions] == []
    replay(file, [tmp_path / "logs"], file.database_url)
    with closing(open_store(file.database_url)) as store:
        data = StationData.over(file, store)
        rows = [r for r in data.reader.fluxes() if r["revision"]]
        assert file.station.season is not None
        last = summarize(data, file.station.season.end - timedelta(days=1))
    assert len(rows) == 3 * 8 * DAYS * len(made.chambers)
    assert set(Counter(f for r in rows for f in r["flags"].split())) <= {"below_detection"}
    assert {r["quality"] for r in rows} == {1}
    assert (last.verdict, last.tasks) == ("good", [])
    # The simulator is honest: what is stored is what its soil gave off.
    below = {c.id: c for c in made.chambers}
    for gas in ("CO2", "N2O"):
        apart = []
        for r in rows:
            if r["gas"] == gas:
                flux = below[r["chamber"]].below.flux[gas]
                minute = (r["closed_us"] // SECOND - made.site.first_s) // 60
                apart.append(r["flux_nmol_m2_s"] / flux[minute] - 1.0)
        assert abs(np.median(apart)) < 0.15, gas
