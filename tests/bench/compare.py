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


def checkout(commit: str, folder: Path) -> Path:
    """A work tree of a commit."""
    subprocess.run(
        ["git", "-C", ROOT, "worktree", "add", "--detach", folder, commit],
        check=True, capture_output=True,
    )  # fmt: skip
    return folder


def measure(tree: Path) -> dict[str, tuple[float, str]]:
    """What → (ours, unit)."""
    environment = {**os.environ, "PYTHONPATH": str(tree)}
    done = subprocess.run(
        [sys.executable, tree / "tests" / "bench" / "table.py", "--json"],
        check=True, stdout=subprocess.PIPE, text=True, env=environment, cwd=tree,
    )  # fmt: skip
    lines = json.loads(done.stdout.splitlines()[-1])
    return {line["what"]: (line["ours"], line["unit"]) for line in lines}


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
                subprocess.run(["git", "-C", ROOT, "worktree", "remove", "--force", tree])


if __name__ == "__main__":
    main()
