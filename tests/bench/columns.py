"""Fluxes to a file and to a notebook: columns beside the plain way, in one run.

python tests/bench/columns.py STATION.toml [--database URL]

The station's results are there already (``year.py`` and ``settled.py`` make a station-year). The
plain way takes rows from the database as mappings and writes them by Python's csv module, as
exports did once. Columns are read from the tables, and from months in files, which are written to
a folder of their own first; the last month is left out of both, as it is not over.
"""

import argparse
import csv
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from functools import partial
from pathlib import Path

from stream import columns
from stream.report.formats.csv_file import write_csv
from stream.report.table import Selection
from stream.report.tables import fluxes
from stream.station import StationFile, load_station
from stream.store import Store, open_store
from stream.store.results.flux_columns import FluxColumns
from stream.store.results.readers import Period, Reader
from stream.store.results.settled_months import SettledMonths, months_held
from stream.times import rfc3339

ROUNDS = 3


def plain(file: StationFile, store: Store, period: Period, out: Path) -> int:
    """Rows as mappings, a cell at a time."""
    found = columns.fluxes(file.station.models.candidates)
    with out.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow([c.name for c in found])
        rows = 0
        for row in Reader(store, file.station.id).fluxes(period):
            cells = []
            for c in found:
                part = row["models"].get(c.model) if c.model else row
                value = None if part is None else part[c.key]
                cells.append(rfc3339(value) if c.kind == "datetime" and value else value)
            writer.writerow(cells)
            rows += 1
    return rows


def timed(what: str, work: Callable[[], int], beside: float = 0.0) -> float:
    """Print the best of some rounds: rows a second, by the clock and of CPU, and the ratio."""
    best, cpu = float("inf"), float("inf")
    for _ in range(ROUNDS):
        wall, busy = time.perf_counter(), time.process_time()
        rows = work()
        best = min(best, time.perf_counter() - wall)
        cpu = min(cpu, time.process_time() - busy)
    ratio = f", {rows / best / beside:.1f} times" if beside else ""
    print(f"{what}: {rows} rows, {rows / best:,.0f} rows/s, {rows / cpu:,.0f} a CPU s{ratio}")
    return rows / best


def main() -> None:
    """Print it all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("station", type=Path)
    parser.add_argument("--database")
    given = parser.parse_args()
    file = load_station(given.station)
    name = file.station.id
    with (
        closing(open_store(given.database or file.database_url)) as store,
        tempfile.TemporaryDirectory() as folder,
    ):
        with store.reading() as connection:
            held = list(months_held(connection, name, Period()))
        assert len(held) > 1, "less than two months of results there; replay records first"
        period = Period(held[0].first_us, held[-1].first_us)
        out, kept = Path(folder, "fluxes.csv"), Path(folder, "kept")
        once = timed("rows, csv", lambda: plain(file, store, period, out))
        tables = FluxColumns(store, name, Path("nowhere"))
        files = FluxColumns(store, name, kept)
        begun = time.process_time()
        months = SettledMonths(store, name, kept).keep(period.stop_us, most=1000)
        print(f"{months} months written in {time.process_time() - begun:.1f} CPU s")
        for where, reader in (("tables", tables), ("months", files)):
            make = partial(fluxes, file.station, reader, Selection(period))
            timed(f"{where} to csv", lambda make=make: write_csv(make(), out), once)
            timed(f"{where} to Arrow", lambda make=make: make().whole().num_rows, once)
        with store.writing() as connection:
            connection.exec_driver_sql("DELETE FROM flux_months")


if __name__ == "__main__":
    main()
