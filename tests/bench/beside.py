"""A notebook that reads beside a service that writes, on one database.

    python tests/bench/beside.py --minutes 10 --database sqlite:////tmp/beside.db
    python tests/bench/beside.py --minutes 10 --database postgresql+psycopg://HOST/NAME

One process takes the records of two simulated chambers as fast as it can and settles them: alone
for a tenth of the time, beside a process that only computes for another tenth, then beside one
that reads tables and fits closures without a pause. The database must be an empty one.
"""

import argparse
import multiprocessing as mp
import sys
import tempfile
import time
from multiprocessing.synchronize import Event
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

ROOT = Path(__file__).parents[2]
Told = Any
"""A queue to the process that prints."""
sys.path[:0] = [str(ROOT / "tests" / "support")]


def write(
    path: Path, url: str, ends: list[float], out: "mp.Queue[tuple[int, list[float]]]"
) -> None:
    """Take and settle a minute of records at a time until each of the ends [s since 1970]."""
    from small import own_line_stream, part

    from stream.compute.replay import join
    from stream.station import load_station
    from stream.store import open_store

    file = load_station(path)
    store = open_store(url)
    parts = join(file, store)
    batch, at, hours = own_line_stream(hours=48.0), 0, 48
    for end in ends:
        waits = []
        while time.time() < end:
            if at + 30 > len(batch):
                raise SystemExit("out of records")
            begun = time.perf_counter()
            parts.intake.take(part(batch, slice(at, at + 30)))
            parts.settlement.settle()
            waits.append(time.perf_counter() - begun)
            at += 30
            if at + 30 > len(batch):
                hours *= 2
                batch = own_line_stream(hours=float(hours))
        out.put((len(waits), waits))
    store.close()


def compute(begin: float, end: float) -> None:
    """Take the processor's time and nothing else."""
    time.sleep(max(0.0, begin - time.time()))
    numbers = np.arange(1e5)
    while time.time() < end:
        numbers = np.sqrt(numbers + 1.0)


def read(
    path: Path, url: str, begin: float, stop: Event, out: "mp.Queue[dict[str, object]]"
) -> None:
    """Ask what a notebook asks, and look whether it holds together."""
    import stream

    time.sleep(max(0.0, begin - time.time()))
    station = stream.open_station(path, url)
    calls: dict[str, list[float]] = {"fluxes of an hour": [], "all fluxes": [], "fit": []}
    unequal = doubled = incomplete = errors = 0
    last: list[str] = []
    while not stop.is_set():
        try:
            begun = time.perf_counter()
            table = station.fluxes()
            calls["all fluxes"].append(time.perf_counter() - begun)
            over = table[(table["revision"] > 0) & (table["quality"] == 1)]
            doubled += int(table[["chamber", "closed_at", "gas"]].duplicated().sum())
            incomplete += int(over["status_linear"].isna().sum())
            newest = table["closed_at"].max()
            begun = time.perf_counter()
            station.fluxes(start=newest - np.timedelta64(1, "h"), stop=newest)
            calls["fluxes of an hour"].append(time.perf_counter() - begun)
            row = over.iloc[-1]
            begun = time.perf_counter()
            fit = station.closure(row["chamber"], row["closed_at"]).fit("N2O")
            calls["fit"].append(time.perf_counter() - begun)
            unequal += fit.flux != row["flux_nmol_m2_s"]
        except stream.LidstreamError as error:
            errors += 1
            last = [str(error)]
    out.put(
        {
            **{f"{k}: calls, median, longest [s]": (len(v), round(median(v), 3), round(max(v), 3))
               for k, v in calls.items()},
            "fluxes at the end": len(station.fluxes()),
            "previews that differ": unequal, "rows twice": doubled,
            "rows without models": incomplete, "errors": errors, "last error": last,
        }
    )  # fmt: skip


def main() -> None:
    """Run both, and print what each waited."""
    from small import station_text

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--database", required=True)
    arguments = parser.parse_args()
    folder = Path(tempfile.mkdtemp())
    path = folder / "station.toml"
    path.write_text(station_text(), encoding="utf-8")
    spawn = mp.get_context("spawn")
    now, length = time.time() + 8.0, 60.0 * arguments.minutes
    alone, busy = now + 0.1 * length, now + 0.2 * length
    ends = [alone, busy, busy + length]
    told, seen, stop = spawn.Queue(), spawn.Queue(), spawn.Event()
    writer = spawn.Process(target=write, args=(path, arguments.database, ends, told))
    reader = spawn.Process(target=read, args=(path, arguments.database, busy, stop, seen))
    other = spawn.Process(target=compute, args=(alone, busy))
    for process in (writer, other, reader):
        process.start()
    for name in ("alone", "beside a process that only computes", "beside a reader"):
        count, waits = told.get()
        each = sorted(waits)
        print(
            f"writer {name}: {count} commits with settlement, median {1000 * median(each):.1f} ms,"
            f" 99 % within {1000 * each[int(0.99 * len(each))]:.1f} ms, longest {each[-1]:.2f} s"
        )
    stop.set()
    for what, value in seen.get().items():
        print(f"reader, {what}: {value}")
    for process in (writer, other, reader):
        process.join()
    print(f"exit codes: {writer.exitcode}, {reader.exitcode}")


if __name__ == "__main__":
    main()
