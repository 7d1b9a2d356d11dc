"""Both demonstration stations, thinned to a record each five seconds: quick enough to be made
wrong in many ways.
"""

from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
from mistakes import Columns

from stream.compute.replay import join
from stream.demo.scenario import Scenario, own_line, shared_analyzer
from stream.demo.write import simulate
from stream.ingest.batches import tidy
from stream.report.summary.day_summary import summarize
from stream.report.summary.model import DaySummary
from stream.station import load_station
from stream.store import open_store
from stream.store.results.readers import Row
from stream.store.station_data import StationData
from stream.times import SECOND

DAYS = 4
EVERY = 5
"""Records a second of the simulation are thinned to."""
SCENARIOS: dict[str, Scenario] = {
    "own": own_line(days=DAYS, faults=False),
    "shared": replace(shared_analyzer(days=DAYS, faults=False), seed=162),
}


def columns_of(kind: str) -> Columns:
    """The records of a station without mistakes."""
    simulation = simulate(SCENARIOS[kind])
    columns: Columns = {}
    for table, every in ((simulation.fast, EVERY), (simulation.slow, 1)):
        for name, values in table.columns.items():
            rounded = np.round(values[::every], table.digits.get(name, 0))
            columns[name] = (table.time_s[::every], rounded)
    return columns


def outcome(
    kind: str, text: str, columns: Columns, folder: Path, mornings: int = DAYS - 1
) -> tuple[list[Row], list[DaySummary]]:
    """Flux rows, and the summaries of the last days; not of the first."""
    path = folder / "station.toml"
    path.write_text(text)
    file = load_station(path)
    with closing(open_store(file.database_url)) as store:
        parts = join(file, store)
        groups: dict[tuple[int, int], list[str]] = {}
        for name, (t, _) in columns.items():
            groups.setdefault((len(t), int(t[0])), []).append(name)
        for i, names in enumerate(groups.values()):
            t = columns[names[0]][0]
            values = {name: columns[name][1] for name in names}
            parts.intake.take(tidy(f"{i}.csv", t * SECOND, values, np.arange(2, len(t) + 2)))
        parts.settlement.settle()
        data = StationData.over(file, store)
        rows = [r for r in data.reader.fluxes() if r["revision"]]
        first = SCENARIOS[kind].start.date()
        days = [summarize(data, first + timedelta(days=k)) for k in range(DAYS - mornings, DAYS)]
    return rows, days


def tasks_of(days: list[DaySummary]) -> list[str]:
    """All tasks, as text."""
    return [f"{t.rank} | {t.where} | {t.what} | {t.why}" for d in days for t in d.tasks]
