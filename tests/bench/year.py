"""From an archive of Parquet files to stored fluxes: a station-year, or a part of it.

Run by hand: ``python tests/bench/year.py --days 365 [--workers 2] [--models all]``. Twelve
chambers, eight closures a day each, three gases, sixteen channels at 1 Hz. The archive is
made first, from a month of simulation that is repeated.
"""

import argparse
import shutil
import subprocess
import sys
import tempfile
import time
from contextlib import closing, suppress
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import special, stats
from scipy.optimize import curve_fit

from stream.demo import own_line as simulated
from stream.demo.scenario import own_line
from stream.demo.write import station_text
from stream.pipeline.many import Processes
from stream.pipeline.replay import join
from stream.pipeline.steady import without_pauses
from stream.records import DAY, SECOND
from stream.station import load_station
from stream.store import open_store
from stream.store.archive import Archive
from stream.store.day_file import write_day
from stream.store.readers import Reader

MONTH = 30
GASES = {"N2O": "n2o", "CH4": "ch4", "CO2": "co2"}


def make(days: int, folder: Path, models: str) -> Path:
    """A station file and its archive; the station file's path."""
    scenario = own_line(min(days, MONTH), faults=False)
    folder.mkdir(parents=True, exist_ok=True)
    text = station_text(scenario)
    if models == "all":
        three = 'candidates = ["linear", "quadratic", "saturating"]'
        five = three.replace("]", ', "diffusive", "theil_sen"]')
        assert three in text
        text = text.replace(three, five)
    path = folder / "station.toml"
    path.write_text(text, encoding="utf-8")
    file = load_station(path)
    made = simulated.simulate(scenario)
    fast, slow = made.fast, made.slow
    names = sorted({*fast.columns, *slow.columns} & set(file.station.channels))
    slow_at = np.searchsorted(fast.time_s, slow.time_s)
    columns = {}
    for name in names:
        if name in fast.columns:
            columns[name] = np.round(fast.columns[name], fast.digits.get(name, 0))
        else:
            column = np.full(len(fast.time_s), np.nan)
            inside = slow_at < len(column)
            column[slow_at[inside]] = np.round(slow.columns[name], slow.digits.get(name, 2))[inside]
            columns[name] = column
    for month in range(-(-days // MONTH)):
        times = (fast.time_s + month * MONTH * 86_400) * SECOND
        for day in np.unique(times // DAY):
            if day * DAY >= (scenario.start_s + days * 86_400) * SECOND:
                continue
            rows = slice(*np.searchsorted(times, (day * DAY, (day + 1) * DAY)))
            year = str(np.datetime64(int(day) * DAY, "us").astype("M8[Y]"))
            where = file.archive / file.station.id / year
            if list(where.glob(f"{np.datetime64(int(day) * DAY, 'us').astype('M8[D]')}*")):
                continue  # a day that two months share belongs to the first
            write_day(
                where, file.station.id, int(day) * DAY, names,
                [(times[rows], [columns[n][rows] for n in names])],
            )  # fmt: skip
    return path


def ours(path: Path, workers: int) -> None:
    """Adopt the archive and settle it; prints seconds, closures and peak memory."""
    file = load_station(path)
    for old in path.parent.glob("*.db*"):
        old.unlink()
    with closing(open_store(file.database_url)) as store:
        begun = time.perf_counter()
        Archive(store, file.station.id, file.archive).adopt()
        adopted = time.perf_counter() - begun
        parts = join(file, store)
        many = Processes(file, file.database_url, workers) if workers > 1 else None
        begun = time.perf_counter()
        with without_pauses():
            parts.settlement.settle(workers=many)
        settled = time.perf_counter() - begun
        if many:
            many.close()
        closures = sum(1 for _ in Reader(store, file.station.id).closures())
    status = Path("/proc/self/status").read_text().split()
    print(adopted, settled, closures, int(status[status.index("VmHWM:") + 1]) / 1024)


def plain(path: Path, days: int) -> float:
    """Seconds for one closure by pandas, shift and groupby, and a loop of fits."""
    file = load_station(path)
    candidates = file.station.models.candidates
    files = sorted((file.archive / file.station.id).rglob("*.parquet"))[: days + 1]
    begun = time.perf_counter()
    frame = pd.concat([pd.read_parquet(f) for f in files])
    count = 0
    for chamber in file.station.chambers:
        lid = frame[chamber.lid_channel] == 1
        number = (lid & ~lid.shift(fill_value=False)).cumsum()
        for _, part in frame[lid].groupby(number[lid]):
            t = (part["time_us"].to_numpy() - part["time_us"].iloc[0]) / SECOND - 8
            keep = t > 30
            if keep.sum() < 10:
                continue
            water = part["h2o"].to_numpy() / 1e3
            for channel in GASES.values():
                dry = (part[channel].to_numpy() / (1 - water))[keep]
                for model in candidates:
                    with suppress(RuntimeError):
                        PLAIN[model](t[keep], dry)
            count += 1
    return (time.perf_counter() - begun) / count


def saturating(v: np.ndarray, c: float, s: float, k: float) -> np.ndarray:
    return c + s * -np.expm1(-k * v) / k


def diffusive(v: np.ndarray, c: float, s: float, tau: float) -> np.ndarray:
    z = np.sqrt(v / tau)
    return c + s * tau * (2 / np.sqrt(np.pi) * z + special.erfcx(z) - 1)


def rate(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    return y[0], (y[-1] - y[0]) / (x[-1] - x[0])


PLAIN = {
    "linear": lambda x, y: np.polyfit(x, y, 1, cov=True),
    "quadratic": lambda x, y: np.polyfit(x, y, 2, cov=True),
    "saturating": lambda x, y: curve_fit(saturating, x, y, p0=(*rate(x, y), 1e-3)),
    "diffusive": lambda x, y: curve_fit(
        diffusive, x, y, p0=(*rate(x, y), 3600.0), bounds=([-np.inf, -np.inf, 1.0], np.inf)
    ),
    "theil_sen": lambda x, y: stats.theilslopes(y, x),
}


def main() -> None:
    """Make, measure, compare."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--models", choices=("three", "all"), default="three")
    parser.add_argument("--plain-days", type=int, default=2, help="days of the plain way")
    parser.add_argument("--folder", type=Path, help="keep the archive there, or use it again")
    parser.add_argument("--settle", type=Path, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.settle:
        ours(arguments.settle, arguments.workers)
        return
    folder = arguments.folder or Path(tempfile.mkdtemp())
    path = folder / "station.toml"
    if not path.exists():
        begun = time.perf_counter()
        make(arguments.days, folder, arguments.models)
        size = sum(f.stat().st_size for f in folder.rglob("*.parquet")) / 1e6
        print(
            f"archive of {arguments.days} days, {size:,.0f} MB, {time.perf_counter() - begun:.0f} s"
        )
    command = [sys.executable, __file__, "--settle", str(path), "--workers", str(arguments.workers)]
    said = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    adopted, settled, closures, memory = map(float, said)
    each = plain(path, min(arguments.days, arguments.plain_days))
    print(
        f"{arguments.days} days, {arguments.workers} workers, {arguments.models} models:"
        f" adopted {adopted:.1f} s, Parquet to fluxes {settled:.1f} s"
        f" ({settled / arguments.days * 365:.0f} s a year),"
        f" {closures:.0f} closures, peak {memory:,.0f} MB; the plain way"
        f" {each * closures:.0f} s; ratio {each * closures / settled:.0f}"
    )
    if arguments.folder is None:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
