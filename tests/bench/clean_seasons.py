"""Flags and tasks of clean seasons over simulated soil columns; run by hand:

    python tests/bench/clean_seasons.py --seed 44 --days 60 [--kind own] [--keep FOLDER]

Nothing is wrong at these stations, so whatever a summary asks for, and every flag that says
more than how a flux is to be read, is a false alarm. The simulator (tests/column_*.py) shares
nothing with the checks. Seed 43 was tuned on; take another for a proof.
"""

import argparse
import re
import sys
import tempfile
import time
from collections import Counter
from contextlib import closing
from datetime import date, timedelta
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1] / "support")]

from column_stations import season, write  # noqa: E402

from stream.compute.replay import replay  # noqa: E402
from stream.report.summary.day_summary import summarize  # noqa: E402
from stream.station import load_station  # noqa: E402
from stream.store import open_store  # noqa: E402
from stream.store.station_data import StationData  # noqa: E402


def run(kind: str, seed: int, days: int, folder: Path) -> None:
    """Print what a clean season raises."""
    began = time.monotonic()
    made = season(kind, seed, days)
    write(made, folder)
    file = load_station(folder / "station.toml")
    print(f"\n{kind}, seed {seed}, {days} days: {made.site}")
    print(
        f"made in {time.monotonic() - began:.0f} s; questions: {[*file.refused, *file.questions]}"
    )
    began = time.monotonic()
    found = replay(file, [folder / "logs"], file.database_url)
    print(f"replayed in {time.monotonic() - began:.0f} s; {found.sentence()} {found.complaints()}")
    began = time.monotonic()
    tasks: Counter[str] = Counter()
    when: dict[str, list[str]] = {}
    verdicts: Counter[str] = Counter()
    with closing(open_store(file.database_url)) as store:
        data = StationData.over(file, store)
        first = date.fromisoformat(re.search(r'start = "([-\d]+)"', made.text)[1])  # type: ignore[index]
        for k in range(days):
            summary = summarize(data, first + timedelta(days=k))
            data.kept.put(first + timedelta(days=k), summary.as_dict(), 0)
            verdicts[summary.verdict] += 1
            for t in summary.tasks:
                text = f"{t.where} | {t.what} | {t.why}"
                key = re.sub(r"[-−]?\d[\d,.:]*", "#", text)
                tasks[key] += 1
                when.setdefault(key, []).append(f"{summary.day} {text}")
        rows = [r for r in data.reader.fluxes() if r["revision"]]
    print(f"summaries in {time.monotonic() - began:.0f} s")
    flags = Counter((f, r["gas"], r["quality"]) for r in rows for f in r["flags"].split())
    closures = {(r["chamber"], r["closed_us"]) for r in rows}
    print(f"{len(closures)} closures, {len(rows)} fluxes; quality",
          dict(sorted(Counter(r["quality"] for r in rows).items())))  # fmt: skip
    for (flag, gas, quality), n in sorted(flags.items()):
        print(f"  {n:6d}  {flag} {gas} quality {quality}")
    print(f"verdicts {dict(verdicts)}; {sum(tasks.values())} tasks")
    for key, n in tasks.most_common():
        print(f"  {n:4d}  {when[key][0]}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=43)
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--kind", choices=["own", "shared"], action="append")
    parser.add_argument("--keep", type=Path, help="folder for the files and the database")
    chosen = parser.parse_args()
    for each in chosen.kind or ["shared", "own"]:
        if chosen.keep:
            run(each, chosen.seed, chosen.days, chosen.keep / each)
        else:
            with tempfile.TemporaryDirectory() as place:
                run(each, chosen.seed, chosen.days, Path(place))
