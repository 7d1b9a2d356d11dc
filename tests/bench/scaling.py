"""Cost of a station over its months and its chambers, as a table and a picture.

Run by hand: ``python tests/bench/scaling.py [--workers 2] [--models all] [--out PATH]``. One to
twelve months of twelve chambers; a month of 4 to 64 chambers, four to an analyzer. Each point
is the better of two runs, from Parquet to stored fluxes.
"""

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from year import make, measured

from stream.report.pictures.style import BLUE, GREY, OCHRE, picture

MONTHS = (1, 2, 3, 6, 9, 12)
LINES = (1, 2, 4, 8, 16)
DAYS = 30


def first_days(path: Path, days: int, folder: Path) -> Path:
    """The same station with the first days of its archive only."""
    folder.mkdir()
    copy = folder / path.name
    copy.write_bytes(path.read_bytes())
    for file in sorted(path.parent.rglob("*.parquet"), key=lambda f: f.name)[:days]:
        link = folder / file.relative_to(path.parent)
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(file)
    return copy


def draw(found: dict[str, list[tuple[float, float, float]]], out: Path) -> None:
    """Seconds and memory over months and over chambers, with the line through the seconds."""
    most = max(memory for points in found.values() for _, _, memory in points)
    with picture(out, 1, 2, 8.0, 3.2) as axes:
        for axis, (what, points) in zip(axes, found.items(), strict=True):
            size, seconds, memory = np.array(points).T
            slope, base = np.polyfit(size, seconds, 1)
            fit = base + slope * size
            off = np.abs(seconds / fit - 1).max()
            print(f"{what}: {base:.2f} s + {slope:.3f} s each, points within {off:.0%}")
            axis.plot(size, fit, color=GREY, linewidth=1)
            axis.plot(size, seconds, "o", color=BLUE)
            axis.set(xlabel=what, ylabel="seconds", xlim=(0, None), ylim=(0, None))
            axis.set_title(f"{base:.1f} s + {slope:.2f} s for each")
            other = axis.twinx()
            other.spines["right"].set_visible(True)
            other.plot(size, memory, "s", color=OCHRE, markersize=4)
            other.set(ylabel="peak memory [MB], squares", ylim=(0, 1.15 * most))


def main() -> None:
    """Measure, print, draw."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--models", choices=("three", "all"), default="all")
    parser.add_argument("--out", type=Path, default=Path(__file__).with_name("scaling.png"))
    arguments = parser.parse_args()
    found: dict[str, list[tuple[float, float, float]]] = {"months": [], "chambers": []}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        whole = make(max(MONTHS) * DAYS, folder / "year", arguments.models)
        stations = [
            ("months", m, first_days(whole, m * DAYS, folder / f"months{m}")) for m in MONTHS
        ]
        stations += [
            ("chambers", 4 * n, make(DAYS, folder / f"lines{n}", arguments.models, n))
            for n in LINES
        ]
        measured(stations[0][2], arguments.workers)  # kernels are compiled, once
        for what, size, path in stations:
            runs = [measured(path, arguments.workers) for _ in range(2)]
            seconds, memory = min(r[1] for r in runs), max(r[3] for r in runs)
            found[what].append((size, seconds, memory))
            print(
                f"{size:>4} {what:<9}{runs[0][2]:>8.0f} closures{seconds:>8.2f} s{memory:>8.0f} MB",
                flush=True,
            )
    draw(found, arguments.out)


if __name__ == "__main__":
    main()
