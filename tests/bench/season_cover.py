"""Season totals on seasons made event by event, twelve cases of gaps; run by hand:

    python tests/bench/season_cover.py [--tune] [--seasons 300] [--soil pasture]
        [--cases wet_20 month] [--workers 1] [--function stream:season] [--rows FILE.csv]

Prints, as each case is done, how often 90 % intervals hold the truth, and what they cost beside
an oracle that knows how seasons are made (``event_oracle``), beside t intervals over the plots'
true totals, and beside straight lines between daily means. ``--tune`` has seeds from 1, without it
they begin at 1,000,001: whoever sets anything looks at the former alone. The pasture is for
testing only.
"""

import argparse
import os
import sys
import time
from collections.abc import Iterator
from functools import partial
from multiprocessing import get_context
from pathlib import Path

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(threads, "1")
sys.path[:0] = [str(Path(__file__).parents[1] / "support")]

import pandas as pd  # noqa: E402
from event_records import CASES  # noqa: E402
from event_seasons import SOILS  # noqa: E402
from season_judging import Row, WrongFrames, found_function, judged, summary  # noqa: E402

TUNE_FROM, TEST_FROM = 1, 1_000_001


def one(seed: int, function: str, case: str, soil: str) -> list[Row]:
    return judged(found_function(function), seed, case, soil)


def rows_of(case: str, chosen: argparse.Namespace) -> Iterator[list[Row]]:
    first = TUNE_FROM if chosen.tune else TEST_FROM
    seeds = range(first, first + chosen.seasons)
    work = partial(one, function=chosen.function, case=case, soil=chosen.soil)
    if chosen.workers == 1:
        yield from map(work, seeds)
        return
    with get_context("spawn").Pool(chosen.workers) as pool:
        yield from pool.imap_unordered(work, seeds, chunksize=4)


def show(case: str, rows: pd.DataFrame, seconds: float) -> None:
    seasons = rows["seed"].nunique()
    print(f"\n{case}: {seasons} seasons, {seconds / seasons:.2f} s each")
    for part, numbers in summary(rows).items():
        told = "  ".join(f"{name} {value:.3f}" for name, value in numbers.items())
        print(f"  {part:12} {told}", flush=True)
    failed = rows[rows["error"] != ""].groupby("error")["seed"].unique()
    for error, seeds in failed.items():
        print(f"  RAISED in {len(seeds)} seasons, first of seed {min(seeds)}: {error}")


LEGEND = """\
cover ± se    share of the 90 % intervals given that hold the truth; error over seasons
bias          sum of totals over sum of truths, less 1; line_bias that of straight lines
refused       share without a total or without limits; mostly_mod share so called
rel_width     median of width over total; to_oracle, to_t: summed widths over those of the
              oracle (plots), of t intervals over true plot totals (treatments, contrast)
oracle, t     what those intervals cover: 0.9, or what skewed plots leave of it
p<0.05        contrast rejected at 5 % (in `null` the truth is 0); no_p: without a p"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tune", action="store_true", help="seeds from 1")
    parser.add_argument("--seasons", type=int, default=300)
    parser.add_argument("--soil", choices=SOILS, default="arable")
    parser.add_argument("--cases", nargs="+", choices=CASES, default=list(CASES))
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--function", default="stream:season", help="module:name")
    parser.add_argument("--rows", type=Path, help="every number as CSV")
    chosen = parser.parse_args()
    if chosen.seasons < 1 or chosen.workers < 1:
        sys.exit("--seasons and --workers: at least 1")
    try:
        found_function(chosen.function)
    except (ImportError, AttributeError, ValueError) as e:
        sys.exit(f"--function {chosen.function}: {e}")
    print(f"{chosen.function}, {chosen.soil}, seeds from {TUNE_FROM if chosen.tune else TEST_FROM}")
    print(LEGEND)
    every = []
    for case in chosen.cases:
        began = time.monotonic()
        try:
            rows = pd.DataFrame([row for season in rows_of(case, chosen) for row in season])
        except WrongFrames as e:
            sys.exit(f"{case}: {e}")
        show(case, rows, time.monotonic() - began)
        every.append(rows)
    if chosen.rows:
        pd.concat(every).to_csv(chosen.rows, index=False)


if __name__ == "__main__":
    main()
