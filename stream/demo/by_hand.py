"""Samples taken by hand beside the simulated automatic chambers, and the runs that measure
them on a detector that bends and drifts.
"""

import csv
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np

from stream.demo.nature import air_temperature_c, headspace_dry, pressure_pa
from stream.demo.scenario import DAY_S, Place, Scenario

MINUTES: Final = (0, 20, 40, 60)
STANDARDS: Final = {"low": 340.0, "middle": 1000.0, "high": 4000.0}
"""Nitrous oxide in the standards [nmol mol⁻¹]."""
_STEP_S: Final = 120
_FIRST_HOUR: Final = 10
_AREA_M2: Final = 0.10
_HEIGHT_M: Final = 0.22
_NOISE: Final = 0.004
"""Relative standard deviation of an injection."""


def hand_places(scenario: Scenario) -> tuple[Place, ...]:
    """A chamber by hand beside each automatic one of the first two plots."""
    return tuple(
        replace(p, id=f"H{i}", port=None, height_m=_HEIGHT_M)
        for i, p in enumerate(scenario.places[:6], 1)
    )


def add_rounds(scenario: Scenario, folder: Path) -> Path:
    """Write a round a day, the runs that measured it, and the station file's part of it.

    Parameters
    ----------
    scenario : Scenario
        A station that is written already.
    folder : Path
        Its folder; ``station.toml`` in it is added to.

    Returns
    -------
    Path
        The folder of the tables.

    Raises
    ------
    OSError
        It cannot be written.
    """
    places = hand_places(scenario)
    station = folder / "station.toml"
    station.write_text(
        station.read_text(encoding="utf-8") + _station(places, scenario.site.heights_from),
        encoding="utf-8",
    )
    rounds = folder / "rounds"
    rounds.mkdir(exist_ok=True)
    rng = np.random.RandomState(scenario.seed)
    # The same collar and the same soil, another lid: its own area and no tubing.
    by_hand = replace(scenario, area_m2=_AREA_M2, extra_volume_m3=0.0)
    for day in range(scenario.days):
        noted, held = [], []
        for row, value in _vials(by_hand, places, day):
            noted.append(row)
            held.append(value)
        name = noted[0]["closed_at"][:10]
        _write(rounds / f"round-{name}.csv", noted)
        runs = _run(rng, [str(r["vial"]) for r in noted], held, f"round-{name}")
        _write(rounds / f"run-{name}.csv", runs)
    return rounds


def _vials(
    scenario: Scenario, places: tuple[Place, ...], day: int
) -> Iterator[tuple[dict[str, str], float]]:
    """Rows of a table of vials, each with what its headspace held [nmol mol⁻¹]."""
    midnight = scenario.start_s - scenario.start_s % 60 + day * DAY_S
    local = scenario.start.tzinfo
    for i, place in enumerate(places):
        closed = midnight + _FIRST_HOUR * 3600 + i * _STEP_S
        for minute in MINUTES:
            at = closed + 60 * minute + (3 * i if minute else 0)
            moment = np.array([float(at)])
            since = np.array([float(at - closed)])
            dry, _ = headspace_dry(place, "N2O", float(closed), since, scenario, place.height_m)
            yield (
                {
                    "chamber": place.id,
                    "closed_at": datetime.fromtimestamp(closed, UTC).astimezone(local).isoformat(),
                    "sampled_at": datetime.fromtimestamp(at, UTC).astimezone(local).isoformat(),
                    "vial": f"{day + 1}-{i * len(MINUTES) + MINUTES.index(minute) + 1:02d}",
                    "height_m": str(place.height_m),
                    "air_temperature_c": f"{float(air_temperature_c(moment, scenario)[0]):.1f}",
                    "pressure_hpa": f"{float(pressure_pa(moment, scenario)[0]) / 100:.1f}",
                },
                float(dry[0]),
            )


def _run(
    rng: np.random.RandomState, vials: list[str], held: list[float], campaign: str
) -> list[dict[str, str]]:
    """Injections: standards twice each before, after, and after every sixth vial."""
    rows: list[dict[str, str]] = []

    def inject(x: float, *, vial: str = "", standard: str = "") -> None:
        n = len(rows)
        area = (11.0 * x - 2.5e-4 * x**2) * (1.0 + 6e-4 * n) * (1.0 + _NOISE * rng.randn())
        rows.append(
            {
                "sequence": str(n + 1),
                "vial": vial,
                "standard": standard,
                "campaign": campaign if vial else "",
                "gc_n2o": f"{area:.1f}",
            }
        )

    def standards() -> None:
        for name, value in STANDARDS.items():
            inject(value, standard=name)
            inject(value, standard=name)

    for i, (vial, x) in enumerate(zip(vials, held, strict=True)):
        if i % 6 == 0:
            standards()
        inject(x, vial=vial)
    standards()
    return rows


def _station(places: tuple[Place, ...], since: str) -> str:
    lines = [
        "",
        "# Chambers beside the automatic ones that are closed and sampled by hand",
        "[channels.gc_n2o]",
        'unit = "count s"',
        "[[analyzers]]",
        'id = "gc"',
        'sampling = "vials"',
        'gases = { N2O = "gc_n2o" }',
        'basis = "dry"',
        'response = "quadratic"',
    ]
    for name, value in STANDARDS.items():
        lines += ["[[analyzers.standards]]", f'name = "{name}"', 'gas = "N2O"']
        lines += [f"value = {value}", 'unit = "nmol/mol"']
    for p in places:
        lines += [
            "[[chambers]]",
            f'id = "{p.id}"',
            'analyzer = "gc"',
            f"area_m2 = {_AREA_M2}",
            f'plot = "{p.plot}"',
            f'block = "{p.block}"',
            f'treatment = "{p.treatment}"',
            f'position = "{p.position}"',
            f'heights = [{{ from = "{since}", height_m = {p.height_m} }}]',
        ]
    return "\n".join([*lines, ""])


def _write(path: Path, rows: list[dict[str, str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
