"""What ``import stream`` costs, and the first calls; how many previews equal what is stored.

python tests/bench/door.py STATION.toml
"""

import argparse
import re
import subprocess
import sys
import time
from pathlib import Path

import stream

ROUNDS = 5


def importing() -> tuple[float, int]:
    """Least cumulative time of ``import stream`` by ``-X importtime`` [s], and modules of ours."""
    times = []
    for _ in range(ROUNDS):
        run = subprocess.run(
            [sys.executable, "-X", "importtime", "-c", "import stream"],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        lines = re.findall(r"\|\s+(\d+) \|( +)(stream\S*)", run.stderr)
        times.append(next(int(us) for us, _, name in lines if name == "stream") / 1e6)
    return min(times), len(lines)


def seconds(program: str) -> float:
    """Least wall time of a new interpreter that runs a program [s]."""
    times = []
    for _ in range(ROUNDS):
        begun = time.perf_counter()
        subprocess.run([sys.executable, "-c", program], check=True)
        times.append(time.perf_counter() - begun)
    return min(times)


def previews(path: Path) -> None:
    """Every flux that is over beside its preview."""
    station = stream.open_station(path)
    table = station.fluxes()
    table = table[table["revision"] > 0]
    equal = 0
    begun = time.perf_counter()
    for (chamber, closed), rows in table.groupby(["chamber", "closed_at"]):
        closure = station.closure(chamber, closed)
        for _, row in rows.iterrows():
            fit = closure.fit(row["gas"])
            pairs = [
                (fit.flux, row["flux_nmol_m2_s"]),
                (fit.flux_se, row["flux_se_nmol_m2_s"]),
                (fit.detection_limit, row["detection_limit_nmol_m2_s"]),
            ]
            same = all(a == b or (a != a and b != b) for a, b in pairs)
            words = (fit.model, " ".join(fit.flags)) == (row["model"], row["flags"])
            equal += same and words
    each = (time.perf_counter() - begun) / max(1, len(table))
    print(f"{station.id}: {equal} of {len(table)} previews equal, {1000 * each:.0f} ms each")


def main() -> None:
    """Print it all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("station", type=Path)
    path = parser.parse_args().station.resolve()
    cost, modules = importing()
    print(f"import stream: {cost:.3f} s, {modules} module(s) of ours")
    opened = f"import stream; s = stream.open_station({str(path)!r})"
    for what, program in (
        ("nothing", "pass"),
        ("import stream", "import stream"),
        ("and open_station", opened),
        ("and fluxes of a day", f"{opened}; s.fluxes(start='2026-06-15', stop='2026-06-15')"),
        ("and stream.fit of ten points", "import stream; stream.fit(range(10), range(10))"),
    ):
        print(f"a new interpreter, {what}: {seconds(program):.2f} s")
    previews(path)


if __name__ == "__main__":
    main()
