"""Two commits beside one another: ``python tests/bench/compare.py OLD [NEW]``.

Each is checked out into a folder of its own and measured there by its own ``table.py``, in
turns, twice, with the same Python; the better run of each counts. NEW is the present state
where it is not given.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
TURNS = 2
TEXT_TURNS = 6
"""Reading a text takes little time, so that other work on the machine shows more."""


def checkout(commit: str, folder: Path) -> Path:
    """A work tree of a commit."""
    subprocess.run(
        ["git", "-C", ROOT, "worktree", "add", "--detach", folder, commit],
        check=True, capture_output=True,
    )  # fmt: skip
    return folder


def measure(tree: Path) -> dict[str, tuple[float, str]]:
    """What → (ours, unit)."""
    lines = json.loads(_ask(tree, tree / "tests" / "bench" / "table.py", "--json").splitlines()[-1])
    return {line["what"]: (line["ours"], line["unit"]) for line in lines}


_READING = """
import sys
from pathlib import Path
tree, station, text = sys.argv[1:]
sys.path[:0] = [f"{tree}/tests/bench", f"{tree}/tests/support", f"{tree}/tests"]
import run
print(*run.reading(Path(station), Path(text))[1:])
"""


def text_of_both(commit: str, station: Path, text: Path) -> tuple[float, float, float]:
    """Speed of reading one file: ours, an earlier commit's and that of pandas [MB/s].

    Each side is measured by its own ``run.py`` in a process of its own, in turns, and the
    better turn counts.
    """
    words = (station, text)
    with tempfile.TemporaryDirectory() as name:
        old = checkout(commit, Path(name) / "old")
        speeds: list[tuple[float, float, float]] = []
        try:
            for _ in range(TEXT_TURNS):
                (before, plain), (ours, again) = (
                    map(float, _ask(tree, "-c", _READING, tree, *words).split())
                    for tree in (old, ROOT)
                )
                speeds.append((ours, before, max(plain, again)))
        finally:
            _remove(old)
    ours, before, plain = (max(side) for side in zip(*speeds, strict=True))
    return ours, before, plain


def _ask(tree: Path, *words: str | Path) -> str:
    """What a program prints that runs on the code of a tree."""
    environment = {**os.environ, "PYTHONPATH": str(tree)}
    done = subprocess.run(
        [sys.executable, *words],
        check=True, stdout=subprocess.PIPE, text=True, env=environment, cwd=tree,
    )  # fmt: skip
    return done.stdout


def _remove(tree: Path) -> None:
    subprocess.run(["git", "-C", ROOT, "worktree", "remove", "--force", tree])


def main() -> None:
    """Measure both and print ratios."""
    parser = argparse.ArgumentParser()
    parser.add_argument("old")
    parser.add_argument("new", nargs="?")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        old = checkout(arguments.old, Path(name) / "old")
        new = ROOT if arguments.new is None else checkout(arguments.new, Path(name) / "new")
        try:
            best: list[dict[str, tuple[float, str]]] = [{}, {}]
            for turn in range(TURNS):
                for side, tree in enumerate((old, new)):
                    print(f"turn {turn + 1}, {('old', 'new')[side]}", file=sys.stderr)
                    for what, (value, unit) in measure(tree).items():
                        held = best[side].get(what, (0.0, unit))[0]
                        best[side][what] = (max(held, value), unit)
            print(f"{'part':<40}{'old':>12}{'new':>12} {'unit':<14}{'new/old':>8}")
            for what, (value, unit) in best[1].items():
                if what in best[0]:
                    before = best[0][what][0]
                    ratio = value / before
                    print(f"{what:<40}{before:>12,.1f}{value:>12,.1f} {unit:<14}{ratio:>8.2f}")
        finally:
            for tree in (old, *([new] if arguments.new else [])):
                _remove(tree)


if __name__ == "__main__":
    main()
