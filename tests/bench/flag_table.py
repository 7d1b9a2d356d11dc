"""Precision and recall of every flag on the sample streams, and how near fluxes are to the
truth; run by hand: ``python tests/bench/flag_table.py``. Prints the tables of the README.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1] / room) for room in ("support", "compute")]

from test_truth import Outcome, _near  # noqa: E402

from stream.demo.scenario import own_line, shared_analyzer  # noqa: E402
from stream.science.quality.flags import BAD, FLAGS, MISSING, bits_of, quality  # noqa: E402
from stream.times import rfc3339  # noqa: E402


def main() -> None:
    """Simulate, replay, compare, print."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        plain = [
            Outcome(own_line(5, faults=False, height_error_m=0.003, seed=s), folder / f"p{s}")
            for s in (5, 77)
        ]
        stations = [Outcome(own_line(), folder / "own"), Outcome(shared_analyzer(), folder / "sh")]
    own = np.concatenate([o.good() for o in plain], axis=1)
    shared = stations[1].good()
    figures = []
    for true, found, error in (own, shared):
        off = (found - true) / np.abs(true)
        covered = np.mean(np.abs(found - true) < 1.96 * error)
        figures.append(
            (len(true), 100 * np.median(off), 100 * np.median(np.abs(off)), 100 * covered)
        )
    for i, (label, form) in enumerate(
        (
            ("good fluxes", "{:,}"),
            ("median bias", "{:+.2f} %"),
            ("median distance", "{:.2f} %"),
            ("95 % intervals that cover", "{:.1f} %"),
        )
    ):
        print(f"| {label} | " + " | ".join(form.format(f[i]) for f in figures) + " |")
    print()
    print("| flag | injected | found | recall | precision |")
    print("| --- | --- | --- | --- | --- |")
    for flag in FLAGS:
        injected = hit = raised = right = 0
        for outcome in stations:
            expected, found = outcome.flags()
            bad = {
                (r["chamber"], r["gas"], rfc3339(r["closed_us"]))
                for r in outcome.fluxes
                if quality(bits_of(set(r["flags"].split()) - {"poor_fit"})) in {BAD, MISSING}
            }
            mine = found[flag] - bad if flag == "poor_fit" else found[flag]
            injected += len(expected[flag])
            hit += sum(_near(k, found[flag]) for k in expected[flag])
            raised += len(mine)
            right += sum(_near(k, expected[flag]) for k in mine)
        if injected:
            print(
                f"| `{flag}` | {injected} | {raised}"
                f" | {hit / injected:.2f} | {right / raised:.2f} |"
            )


if __name__ == "__main__":
    main()
