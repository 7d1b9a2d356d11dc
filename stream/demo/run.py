"""The verb ``demo``: two simulated stations, end to end, and where to look next."""

import csv
import time
from collections import defaultdict
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from statistics import median

from stream.compute.replay import replay
from stream.demo.by_hand import add_rounds
from stream.demo.scenario import Scenario, own_line, shared_analyzer
from stream.demo.write import write_station
from stream.errors import LidstreamError
from stream.progress import Progress
from stream.report.compare import compare
from stream.report.export import export
from stream.report.summary.day_summary import summarize
from stream.report.summary.render import VERDICTS, write_summary
from stream.science.quality.flags import gravest
from stream.station import StationFile, gases_of, load_station
from stream.store import open_store
from stream.store.results.readers import Reader
from stream.store.station_data import StationData


def run_demo(folder: Path, days: int) -> None:
    """Simulate, replay, export and show both kinds of station.

    Parameters
    ----------
    folder : Path
        Where the station folders are written.
    days : int
        Length of the simulated record.

    Raises
    ------
    LidstreamError
        The folder cannot be written.
    """
    for make in (own_line, shared_analyzer):
        scenario = make(days, faults=days >= 3)
        place = folder / scenario.id
        print(f"{scenario.name} ({scenario.kind.replace('_', ' ')}), {days} days, simulated")
        try:
            path = write_station(scenario, place)
        except OSError as error:
            raise LidstreamError(
                f"{place}: cannot be written: {error.strerror}; choose another --out"
            ) from None
        brought = [place / "incoming"]
        if scenario.kind == "own_line":
            brought.append(add_rounds(scenario, place))
        file = load_station(path)
        with Progress() as progress:
            done = replay(file, brought, file.database_url, report=progress)
        print(f"  {done.sentence()}")
        for what in ("fluxes", "closures"):
            export(file, what, place / f"{what}.csv", file.database_url)
        for line in table(file):
            print(f"  {line}")
        print(f"  {against_truth(place)}")
        for said in mornings(file, scenario):
            print(f"  {said}")
        if scenario.kind == "own_line":
            for result in compare(file, file.database_url, place, within_h=3.0):
                print(f"  by hand beside automatic, {result.sentence()}")
        print()
    vellmark = folder / "vellmark" / "station.toml"
    print("Look next at:")
    print(f"  lidstream page {vellmark}       the station page, in a browser")
    print(f"  {folder}/*/summaries          what the station said each morning")
    print(f"  {folder}/*/fluxes.csv         one row a closure and gas, all models, flags")
    print(f"  {folder}/vellmark/rounds      vials filled by hand, and the runs that measured them")
    print(f"  {folder}/vellmark/hand-automatic-N2O.png    both on one picture")
    print(f"  {folder}/*/truth_fluxes.csv   what the simulated soil really emitted")
    print(f"  {folder}/*/truth_faults.csv   what was broken on purpose, and the flag it must raise")
    print(f"  {folder}/*/station.toml       the station file; try another dead_band_s")
    print(f"  lidstream export {folder}/vellmark/station.toml fluxes --gas N2O \\")
    print("      --unit 'ug N m-2 h-1' --out n2o.csv")


def mornings(file: StationFile, scenario: Scenario) -> list[str]:
    """Sum up every whole day, as the service would; what each summary says in short."""
    folder = file.beside("summaries")
    folder.mkdir(exist_ok=True)
    said = []
    with closing(open_store(file.database_url)) as store:
        data = StationData.over(file, store)
        for i in range(scenario.days):
            day = scenario.start.date() + timedelta(days=i)
            summary = summarize(data, day)
            data.kept.put(day, summary.as_dict(), time.time_ns() // 1000)
            write_summary(summary, folder)
            said.append(f"morning after {day}: {VERDICTS[summary.verdict]}; {summary.sentence}")
    return said


def table(file: StationFile) -> list[str]:
    """By chamber: closures, gaps, median flux of each gas, worst flag."""
    gases = gases_of(file.station)
    fluxes: dict[tuple[str, str], list[float]] = defaultdict(list)
    flags: dict[str, set[str]] = defaultdict(set)
    counts: dict[tuple[str, str], int] = defaultdict(int)
    with closing(open_store(file.database_url)) as store:
        reader = Reader(store, file.station.id)
        for row in reader.closures():
            counts[row["chamber"], "closures"] += 1
        for row in reader.gaps():
            counts[row["chamber"], "gaps"] += 1
            flags[row["chamber"]] |= set(row["flags"].split())
        for row in reader.fluxes():
            flags[row["chamber"]] |= set(row["flags"].split())
            if row["quality"] == 1:
                fluxes[row["chamber"], row["gas"]].append(row["flux_nmol_m2_s"])
    shown = "".join(f"{gas + ' median':>14}" for gas in gases)
    lines = [f"{'chamber':<8}{'position':<13}{'closures':>8}{'gaps':>6}{shown}  worst flag"]
    for c in file.station.chambers:
        numbers = "".join(
            f"{median(fluxes[c.id, gas]):>14.4g}" if fluxes[c.id, gas] else f"{'-':>14}"
            for gas in gases
        )
        lines.append(
            f"{c.id:<8}{c.position:<13}{counts[c.id, 'closures']:>8}{counts[c.id, 'gaps']:>6}"
            f"{numbers}  {gravest(flags[c.id]) or 'none'}"
        )
    lines.append("medians of good fluxes, nmol m-2 s-1, positive from soil to air")
    return lines


def against_truth(place: Path) -> str:
    """How near the good fluxes are to the simulated truth."""
    with (place / "truth_fluxes.csv").open(encoding="utf-8") as rows:
        truth = {
            (r["chamber"], r["gas"], r["closed_at"]): float(r["flux_nmol_m2_s"])
            for r in csv.DictReader(rows)
        }
    off = []
    with (place / "fluxes.csv").open(encoding="utf-8") as rows:
        for r in csv.DictReader(rows):
            true = truth.get((r["chamber"], r["gas"], r["closed_at"]))
            if true and r["quality"] == "1":
                off.append(100.0 * (float(r["flux_nmol_m2_s"]) - true) / abs(true))
    if not off:
        return "no good flux to hold against the truth"
    size = median(abs(x) for x in off)
    return (
        f"against the truth: {len(off)} good fluxes, median bias {median(off):+.2f} %,"
        f" median distance {size:.2f} %"
    )
