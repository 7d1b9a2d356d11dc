"""Benchmarks, run by hand: ``python tests/bench/run.py [--days 30]``.

Prints ratios to the plain way, both measured in this one run. Peak memory is that of a
process of its own for each length of record.
"""

import argparse
import csv
import io
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy import special, stats
from scipy.optimize import curve_fit

from stream.compute.replay import replay
from stream.demo import own_line as simulated
from stream.demo.scenario import own_line
from stream.demo.write import _fast_text, _slow_text, station_text
from stream.ingest.delimited.reading import TextFiles
from stream.science.models import MODELS
from stream.science.models.fit import Segments
from stream.station import FolderSource, load_station

GASES = {"N2O": "n2o", "CH4": "ch4", "CO2": "co2"}


def best_of(times: int, work: Callable[[], object]) -> float:
    """Shortest of several runs [s]."""
    found = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        found.append(time.perf_counter() - began)
    return min(found)


def curve(t, c, s, k):
    return c + s * -np.expm1(-k * t) / k


def fits() -> None:
    """Our batch against loops over general libraries, 300 points a closure."""
    rng = np.random.default_rng(1)
    m, n = 4000, 300
    t = np.linspace(30.0, 690.0, n)
    k = np.exp(rng.uniform(np.log(2e-4), np.log(4e-3), m))
    s = np.exp(rng.normal(-2, 1, m))
    y = 330 + s[:, None] * -np.expm1(-k[:, None] * t) / k[:, None] + rng.normal(0, 0.3, (m, n))
    segments = Segments(np.tile(t, m), y.ravel().copy(), np.ones(m * n), np.arange(m + 1) * n)

    def loop_curves() -> None:
        for i in range(200):
            with suppress(RuntimeError):
                curve_fit(curve, t, y[i], p0=(y[i, 0], (y[i, -1] - y[i, 0]) / 660, 1e-3))

    def loop_lines() -> None:
        for i in range(300):
            _ = sm.OLS(y[i], sm.add_constant(t)).fit().bse

    for model in ("linear", "quadratic", "saturating"):
        MODELS[model].fit(segments)
    plain_curve = 200 / best_of(3, loop_curves)
    plain_line = 300 / best_of(3, loop_lines)
    for model, plain, name in (
        ("saturating", plain_curve, "scipy curve_fit loop"),
        ("linear", plain_line, "statsmodels OLS loop"),
    ):
        for correlated in (True, False):
            ours = m / best_of(
                5, lambda c=correlated, q=model: MODELS[q].fit(segments, correlated=c)
            )
            how = "with" if correlated else "without"
            print(
                f"{model:<11} {how:>7} noise allowance: {ours:>10,.0f} fits/s;"
                f" {name} {plain:>7,.0f}/s; ratio {ours / plain:,.0f}"
            )


def every_model() -> None:
    """Each model against a loop over a general library, and a station-year of all of them."""
    rng = np.random.default_rng(2)
    m, n = 2000, 300
    t = np.linspace(30.0, 690.0, n)
    y = 330 + 0.2 * -np.expm1(-1e-3 * t) / 1e-3 + rng.normal(0, 0.3, (m, n))
    segments = Segments(np.tile(t, m), y.ravel().copy(), np.ones(m * n), np.arange(m + 1) * n)

    def diffusive(t, c, s, tau):
        z = np.sqrt(t / tau)
        return c + s * tau * (2 * z / np.sqrt(np.pi) + special.erfcx(z) - 1)

    plain: dict[str, Callable[[np.ndarray], object]] = {
        "linear": lambda v: sm.OLS(v, sm.add_constant(t)).fit().bse,
        "quadratic": lambda v: np.polyfit(t, v, 2, cov=True),
        "saturating": lambda v: curve_fit(curve, t, v, p0=(v[0], (v[-1] - v[0]) / 660, 1e-3)),
        "diffusive": lambda v: curve_fit(diffusive, t, v, p0=(v[0], (v[-1] - v[0]) / 660, 1e4)),
        "theil_sen": lambda v: stats.theilslopes(v, t),
    }
    total = 0.0
    for model, work in plain.items():
        MODELS[model].fit(segments)
        ours = best_of(3, lambda q=model: MODELS[q].fit(segments)) / m
        few = 40

        def loop(work: Callable[[np.ndarray], object] = work, few: int = few) -> None:
            for i in range(few):
                with suppress(RuntimeError):
                    work(y[i])

        theirs = best_of(2, loop) / few
        total += ours
        print(
            f"{model:<11} {1 / ours:>10,.0f} fits/s; a loop over a library"
            f" {1 / theirs:>7,.0f}/s; ratio {theirs / ours:,.0f}"
        )
    year = 12 * 8 * 365 * 3
    print(f"fits of a station-year ({year:,} closures and gases), all five: {year * total:.1f} s")


def make(days: int, folder: Path) -> tuple[Path, Path, Path]:
    """Station file, 1 Hz log and slow log of some days, as plain text."""
    scenario = own_line(days, faults=False)
    simulation = simulated.simulate(scenario)
    folder.mkdir(parents=True, exist_ok=True)
    station = folder / "station.toml"
    station.write_text(station_text(scenario), encoding="utf-8")
    fast, slow = folder / "gas.csv", folder / "soil.csv"
    end = scenario.start_s + days * 86_400
    with fast.open("wb") as out:
        for i, first in enumerate(range(scenario.start_s, end, 86_400)):
            text = _fast_text(scenario, simulation.fast, first, first + 86_400)
            out.write(text if i == 0 else text.split(b"\n", 1)[1])
    slow.write_bytes(_slow_text(scenario, simulation.slow, scenario.start_s, end))
    return station, fast, slow


def reading(station: Path, fast: Path) -> tuple[float, float, float]:
    """Size [MB], our speed and that of the pandas C reader [MB/s], both with times parsed."""
    files = TextFiles.of(load_station(station).station, FolderSource(kind="folder", path="."))
    size = fast.stat().st_size / 1e6

    def ours() -> None:
        with fast.open("rb") as stream:
            head = stream.read(65536)
            stream.seek(0)
            found = files.find("gas.csv", head)
            assert found is not None
            for _ in files.reader(found).batches(stream):
                pass

    def plain() -> None:
        frame = pd.read_csv(fast, engine="c")
        frame["time"] = pd.to_datetime(frame["time"]).dt.tz_localize("Pacific/Guam")

    return size, size / best_of(3, ours), size / best_of(3, plain)


def plain_way(station: Path, fast: Path, slow: Path) -> int:
    """What one would write first: pandas, shift and groupby, a loop of fits."""
    place = load_station(station).station
    frame = pd.read_csv(fast)
    frame["time"] = pd.to_datetime(frame["time"]).dt.tz_localize("Pacific/Guam")
    soil = pd.read_csv(slow, sep=";", decimal=",", encoding="utf-8-sig")
    soil["time"] = pd.to_datetime(soil["time"])
    rows = []
    for chamber in place.chambers:
        lid = frame[chamber.lid_channel] == 1
        number = (lid & ~lid.shift(fill_value=False)).cumsum()
        for _, part in frame[lid].groupby(number[lid]):
            t = (part["time"] - part["time"].iloc[0]).dt.total_seconds().to_numpy() - 8
            keep = t > 30
            if keep.sum() < 10:
                continue
            around = soil[
                (soil["time"] >= part["time"].iloc[0]) & (soil["time"] <= part["time"].iloc[-1])
            ]
            kelvin = around[chamber.air_temperature_channel].mean() + 273.15
            pressure = around["p_air"].mean() * 100
            volume = chamber.area_m2 * chamber.heights[0].height_m + chamber.extra_volume_m3
            water = part["h2o"].to_numpy() / 1e3
            for gas, channel in GASES.items():
                dry = (part[channel].to_numpy() / (1 - water))[keep]
                x = t[keep]
                line = sm.OLS(dry, sm.add_constant(x)).fit()
                parabola = np.polyfit(x, dry, 2, cov=True)
                try:
                    best, cov = curve_fit(curve, x, dry, p0=(dry[0], line.params[1], 1e-3))
                except RuntimeError:
                    best, cov = (np.nan,) * 3, np.full((3, 3), np.nan)
                moles = pressure * volume / (8.314462618 * kelvin * chamber.area_m2)
                rows.append(
                    (chamber.id, gas, part["time"].iloc[0], line.params[1] * moles, best[1] * moles,
                     np.sqrt(cov[1, 1]) * moles, parabola[0][1] * moles, line.bse[1], line.rsquared)
                )  # fmt: skip
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    return len(rows)


def our_way(station: Path, files: list[Path], database: Path) -> None:
    for old in database.parent.glob(database.name + "*"):
        old.unlink()
    replay(load_station(station), files, f"sqlite:///{database}")


def whole(days: int, folder: Path) -> None:
    """A month of one station from its logs to stored fluxes, and the memory that takes."""
    station, fast, slow = make(days, folder)
    size, a, b = reading(station, fast)
    print(
        f"reading {size:,.0f} MB: {a:,.0f} MB/s; pandas C reader {b:,.0f} MB/s; ratio {a / b:.1f}"
    )
    database = folder / "bench.db"
    our_way(station, [fast, slow], database)
    ours = best_of(2, lambda: our_way(station, [fast, slow], database))
    began = time.perf_counter()
    count = plain_way(station, fast, slow)
    plain = time.perf_counter() - began
    size = (fast.stat().st_size + slow.stat().st_size) / 1e6
    print(
        f"{days} days at 1 Hz, {size:,.0f} MB, {count} fluxes: {ours:.2f} s;"
        f" pandas groupby and curve_fit {plain:.1f} s; ratio {plain / ours:.1f}"
    )


def memory(days: int, folder: Path) -> None:
    """Peak resident memory of a replay in a process of its own."""
    station, fast, slow = make(days, folder)
    command = [sys.executable, __file__, "--replay", str(station), str(fast), str(slow)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    print(f"peak memory, {days:>3} days: {int(done.stdout) / 1024:,.0f} MB")


def main() -> None:
    """Everything, or one replay for the measure of memory."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--replay", nargs=3, type=Path)
    arguments = parser.parse_args()
    if arguments.replay:
        station, *files = arguments.replay
        our_way(station, files, station.parent / "memory.db")
        # Not getrusage: its maximum is inherited from the process that started this one.
        status = Path("/proc/self/status").read_text().split()
        print(status[status.index("VmHWM:") + 1])
        return
    fits()
    every_model()
    with tempfile.TemporaryDirectory() as folder, closing(sys.stdout):
        whole(arguments.days, Path(folder) / "whole")
        for days in (5, 10, arguments.days):
            memory(days, Path(folder) / f"memory{days}")


if __name__ == "__main__":
    main()
