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


def beside_a_service(path: Path, url: str, minutes: float) -> None:
    """``lidstream run`` over files that keep coming, and a reader; then a replay of the files."""
    from running import Running
    from small import own_line_stream, part, write_log

    import stream
    from stream.compute.replay import replay
    from stream.station import load_station

    incoming = path.parent / "incoming"
    incoming.mkdir()
    spawn = mp.get_context("spawn")
    seen, stop = spawn.Queue(), spawn.Event()
    reader = spawn.Process(target=read, args=(path, url, time.time() + 20.0, stop, seen))
    batch = own_line_stream(hours=minutes * 60.0 * 5 / 60.0 + 24.0)
    with Running(path, url) as service:
        service.wait_for("running")
        reader.start()
        at, end = 0, time.time() + 20.0 + 60.0 * minutes
        while time.time() < end:
            write_log(part(batch, slice(at, at + 30)), incoming / f"{at:07d}.csv")
            at += 30
            time.sleep(0.2)
        stop.set()
        for what, value in seen.get().items():
            print(f"reader, {what}: {value}")
        reader.join()
        took = service.stop(120.0)
        worse = [line for line in service.lines if line["level"] not in {"info", "debug"}]
    print(f"service: {at} rows in {at // 30} files, stopped in {took:.1f} s, {len(worse)} warnings")
    print(*worse[:5], sep="\n")
    file = load_station(path)
    again = f"sqlite:///{path.parent}/again.db"
    replay(file, [incoming], again)
    names = ["chamber", "closed_at", "gas", "flux_nmol_m2_s", "flux_se_nmol_m2_s", "flags"]
    kept, made = (stream.open_station(path, u).fluxes() for u in (url, again))
    # Of each chamber without the last one, which is not over for the service.
    over = [
        t[t["closed_at"] < kept["closed_at"].max() - np.timedelta64(15, "m")] for t in (kept, made)
    ]
    same = over[0][names].reset_index(drop=True).equals(over[1][names].reset_index(drop=True))
    print(f"as a replay of the files: {same}, {len(over[0])} fluxes")


def main() -> None:
    """Run both, and print what each waited."""
    from small import station_text

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--service", action="store_true")
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--database", required=True)
    arguments = parser.parse_args()
    folder = Path(tempfile.mkdtemp())
    path = folder / "station.toml"
    path.write_text(station_text(), encoding="utf-8")
    if arguments.service:
        beside_a_service(path, arguments.database, arguments.minutes)
        return
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
