"""The station page over a station-year: 12 chambers, 8 closures a day, 3 gases.

Run by hand: ``python tests/bench/page.py``. The database is made first, straight from rows,
which takes about a minute.
"""

import re
import sys
import tempfile
import threading
import time
import urllib.request
from contextlib import closing
from pathlib import Path

import numpy as np
from playwright.sync_api import expect, sync_playwright

from stream.compute.closures.rows import as_rows
from stream.compute.replay import join, replay
from stream.demo.scenario import own_line
from stream.demo.write import write_station
from stream.station import StationFile, load_station
from stream.store import Changes, Result, Store, open_store
from stream.store.results.readers import Reader
from stream.store.results.writer import Writer
from stream.times import DAY, SECOND
from stream.web.page_in_service import page_app
from stream.web.serve import listen, serve

DAYS = 365


def fill(file: StationFile, store: Store) -> int:
    """Copies of one real day's results, day by day backwards, with a season's ups and downs."""
    reader = Reader(store, file.station.id)
    template = [r for r in reader.closures() if r["revision"] == 1]
    fluxes: dict[tuple[str, int], list[dict[str, object]]] = {}
    for r in reader.fluxes():
        fluxes.setdefault((r["chamber"], r["closed_us"]), []).append(r)
    from stream.store.schema import closures, model_fits
    from stream.store.schema import fluxes as flux_table

    def part(row: dict[str, object], table: object, drop: set[str]) -> dict[str, object]:
        return {c.name: row[c.name] for c in table.columns if c.name not in drop}  # type: ignore

    key = {"station", "chamber", "closed_us", "revision"}
    version = {"current", "withdrawn", "station_digest", "software_version", "result_digest"}
    rng = np.random.default_rng(4)
    writer = Writer(store, file.station.id)
    count = 0
    for back in range(1, DAYS):
        shift, size = back * DAY, float(np.exp(rng.normal(0, 0.6)))
        results = []
        for row in template:
            own = part(row, closures, key | version)
            own["opened_us"] = row["opened_us"] - shift
            mine, fits = [], []
            for f in fluxes[row["chamber"], row["closed_us"]]:
                flux = part(f, flux_table, key)
                flux["mid_us"] = f["mid_us"] - shift  # type: ignore[operator]
                if flux["flux_nmol_m2_s"] is not None:
                    flux["flux_nmol_m2_s"] *= size * float(np.exp(rng.normal(0, 0.1)))  # type: ignore
                mine.append(flux)
                fits += [part(dict(m), model_fits, key) for m in f["models"].values()]  # type: ignore
            identity = (row["chamber"], row["closed_us"] - shift)
            children = {"fluxes": as_rows(mine), "model_fits": as_rows(fits)}
            results.append(Result("closures", identity, own, f"bench {back}", children))
        writer.commit(
            Changes(
                results=results,
                station_digest=file.digest,
                station_content=file.provenance,
                software_version="bench",
            )
        )
        count += len(results)
    return count


def seconds(base: str, path: str, times: int = 7) -> tuple[float, float, int]:
    """First and median time of an answer [s], and its size."""
    took, size = [], 0
    for _ in range(times):
        begun = time.perf_counter()
        with urllib.request.urlopen(base + path) as answer:
            size = len(answer.read())
        took.append(time.perf_counter() - begun)
    return took[0], float(np.median(took)), size


def main() -> None:
    """Make the database, serve, measure."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = write_station(own_line(1, faults=False), folder)
        file = load_station(path)
        replay(file, [folder / "incoming"], file.database_url)
        with closing(open_store(file.database_url)) as store:
            begun = time.perf_counter()
            made = fill(file, store)
            print(f"{made} closures written in {time.perf_counter() - begun:.0f} s")
            join(file, store)
            app = page_app(file, file.database_url, store)
            stop = threading.Event()
            on = listen("127.0.0.1", 0)
            base = f"http://127.0.0.1:{on.getsockname()[1]}"
            thread = threading.Thread(target=serve, args=(app, on, stop))
            thread.start()
            first, last = _extent(store)
            year = f"from={first}&to={last}"
            every = "&".join(f"chamber={c.id}" for c in file.station.chambers)
            closed = next(iter(Reader(store, file.station.id).closures()))["closed_us"]
            print(f"{'answer':<44}{'first ms':>10}{'median ms':>11}{'kB':>8}")
            for what, path_of in (
                ("today", "/"),
                ("year of one chamber, one gas", f"/data/series?gas=N2O&chamber=A1&{year}"),
                ("year of twelve chambers, one gas", f"/data/series?gas=N2O&{every}&{year}"),
                ("year by treatment", f"/data/series?gas=N2O&by=treatment&{year}"),
                ("a month of coverage", "/coverage"),
                ("a closure", f"/closure/A1/{closed}"),
                ("faults of a week", "/faults?days=7"),
                ("faults of a month", "/faults?days=30"),
                ("field totals, first worked out", "/field"),
            ):
                a, b, size = seconds(base, path_of)
                print(f"{what:<44}{1e3 * a:>10.0f}{1e3 * b:>11.0f}{size / 1e3:>8.0f}")
            _browser(base, every, year)
            stop.set()
            thread.join()
            on.close()


def _extent(store: Store) -> tuple[float, float]:
    closed = [r["closed_us"] for r in Reader(store, "vellmark").closures()]
    return min(closed) / SECOND, max(closed) / SECOND + 3600


def _browser(base: str, every: str, year: str) -> None:
    sys.path[:0] = [str(Path(__file__).parents[1] / "support")]
    from page_served import CHROMIUM, QUIET

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        page = browser.new_page(viewport={"width": 1200, "height": 900})
        page.goto(base + "/")
        took = []
        for _ in range(5):
            page.goto(base + "/")
            took.append(page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd"))
        print(f"{'today in the browser, to its load event':<44}{'':>10}{np.median(took):>11.0f}")
        took = []
        for _ in range(5):
            begun = time.perf_counter()
            page.goto(f"{base}/series?gas=N2O&{every}&{year}")
            expect(page.locator(".chart")).to_have_attribute("data-ready", re.compile(r"\d"))
            took.append(1e3 * (time.perf_counter() - begun))
        print(f"{'a year of twelve chambers, page to drawn':<44}{'':>10}{np.median(took):>11.0f}")
        browser.close()


if __name__ == "__main__":
    main()
