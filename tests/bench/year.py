"""From an archive of Parquet files to stored fluxes: a station-year, or a part of it.

Run by hand: ``python tests/bench/year.py --days 365 [--workers 2] [--models all]``. Twelve
chambers, eight closures a day each, three gases, sixteen channels at 1 Hz. The archive is
made first, from a month of simulation that is repeated.
"""

import argparse
import re
import shutil
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import special, stats
from scipy.optimize import curve_fit

from stream.demo import own_line as simulated
from stream.demo.scenario import Scenario, own_line
from stream.demo.write import station_text
from stream.station import StationFile, load_station
from stream.store.journal.archived_day import write_day
from stream.times import DAY, SECOND

SETTLED = Path(__file__).with_name("settled.py")
MONTH = 30
GASES = {"N2O": "n2o", "CH4": "ch4", "CO2": "co2"}


def make(days: int, folder: Path, models: str, lines: int = 0) -> Path:
    """A station file and its archive; the station file's path.

    With ``lines``, so many analyzers with four chambers each, all of which record the same.
    """
    scenario = own_line(min(days, MONTH), faults=False)
    if lines:
        scenario = replace(scenario, places=scenario.places[:4])
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "station.toml"
    path.write_text(told(scenario, models, lines), encoding="utf-8")
    file = load_station(path)
    made = simulated.simulate(scenario)
    fast, slow = made.fast, made.slow
    slow_at = np.searchsorted(fast.time_s, slow.time_s)
    columns = {name: np.round(c, fast.digits.get(name, 0)) for name, c in fast.columns.items()}
    for name, values in slow.columns.items():
        columns[name] = np.full(len(fast.time_s), np.nan)
        inside = slow_at < len(fast.time_s)
        columns[name][slow_at[inside]] = np.round(values, slow.digits.get(name, 2))[inside]
    kept = {name: columns[one_of(name)] for name in file.station.channels}
    lay(file, fast.time_s * SECOND, kept, days)
    return path


def told(scenario: Scenario, models: str, lines: int) -> str:
    """The text of the station file."""
    if lines:
        places = [replace(p, id=f"L{k}{p.id}") for k in range(lines) for p in scenario.places]
        scenario = replace(scenario, places=tuple(places))
    text = station_text(scenario)
    if models == "all":
        three = 'candidates = ["linear", "quadratic", "saturating"]'
        five = three.replace("]", ', "diffusive", "theil_sen"]')
        assert three in text
        text = text.replace(three, five)
    if lines:
        first, last = text.index("[[analyzers]]"), text.index("[[chambers]]")
        fast = text[text.index("[channels.n2o]") : text.index("[channels.p_air]")]
        channels = [re.sub(r"channels\.(\w+)", rf"channels.\1_l{k}", fast) for k in range(lines)]
        analyzer = text[first:last].replace('"laser"', '"laser_LINE"')
        analyzer = re.sub(r'"(n2o|ch4|co2|h2o|laser_status)"', r'"\1_lLINE"', analyzer)
        analyzers = [analyzer.replace("LINE", str(k)) for k in range(lines)]
        rest = re.sub(r'id = "L(\d+)(\w+)"\nanalyzer = "laser"',
                      r'id = "L\1\2"\nanalyzer = "laser_\1"', text[last:])  # fmt: skip
        text = text[:first].replace(fast, "".join(channels)) + "".join(analyzers) + rest
    return text


def one_of(channel: str) -> str:
    """The simulated channel that a channel of some line records."""
    return re.sub(r"_l\d+$", "", re.sub(r"_l\d+([ab]\d)$", r"_\1", channel))


def lay(file: StationFile, times: np.ndarray, columns: dict[str, np.ndarray], days: int) -> None:
    """Write an archive of so many days, the records of a month over and over."""
    names = sorted(columns)
    stop = times[0] + days * DAY
    parts: dict[int, list[tuple[np.ndarray, list[np.ndarray]]]] = {}
    for month in range(-(-days // MONTH)):
        here = times + month * MONTH * DAY
        for day in np.unique(here // DAY).tolist():
            rows = slice(*np.searchsorted(here, (day * DAY, min(stop, (day + 1) * DAY))))
            if rows.start < rows.stop:
                part = here[rows], [columns[n][rows] for n in names]
                parts.setdefault(day, []).append(part)
    for day, of_day in parts.items():
        year = str(np.datetime64(day * DAY, "us").astype("M8[Y]"))
        where = file.archive / file.station.id / year
        write_day(where, file.station.id, day * DAY, names, of_day)


def measured(path: Path, workers: int) -> tuple[float, float, float, float]:
    """Seconds to adopt, seconds to settle, closures, peak memory [MB], in a new process."""
    command = [sys.executable, SETTLED, str(path), str(workers)]
    said = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    adopted, settled, closures, memory = map(float, said)
    return adopted, settled, closures, memory


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
    arguments = parser.parse_args()
    folder = arguments.folder or Path(tempfile.mkdtemp())
    path = folder / "station.toml"
    if not path.exists():
        begun = time.perf_counter()
        make(arguments.days, folder, arguments.models)
        size = sum(f.stat().st_size for f in folder.rglob("*.parquet")) / 1e6
        print(
            f"archive of {arguments.days} days, {size:,.0f} MB, {time.perf_counter() - begun:.0f} s"
        )
    adopted, settled, closures, memory = measured(path, arguments.workers)
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
