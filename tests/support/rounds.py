"""A hand-sampled station, its tables of vials, and runs of a chromatograph that bends and
drifts, for tests of the whole path.
"""

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta

import numpy as np

CLOSED = datetime(2026, 2, 9, 0, 0, tzinfo=UTC)
"""10:00 at the station: when the lid of the first chamber closes."""
STANDARDS = {"low": 350.0, "middle": 900.0, "high": 2500.0}
"""[nmol mol⁻¹]"""
RATE = {"H1": 0.05, "H2": 0.12, "H3": 0.3}
"""Initial slopes [nmol mol⁻¹ s⁻¹]."""
BEND = 2.0e-4
"""k of the headspace [s⁻¹]."""
TEMPERATURE_C, HEIGHT_M, PRESSURE_PA = 24.0, 0.18, 96_000.0


def station_text(extra: str = "", response: str = "quadratic", precision: str = "") -> str:
    """A station of three chambers that are sampled by hand, and nothing else."""
    lines = [
        "[station]",
        'id = "small"',
        "elevation_m = 400.0",
        'clock = "+10:00"',
        'timezone = "Pacific/Guam"',
        "[channels.gc_n2o]",
        'unit = "count s"',
        "[[analyzers]]",
        'id = "gc"',
        'sampling = "vials"',
        'gases = { N2O = "gc_n2o" }',
        'basis = "dry"',
        f'response = "{response}"',
        precision,
    ]
    for name, value in STANDARDS.items():
        lines += ["[[analyzers.standards]]", f'name = "{name}"', 'gas = "N2O"']
        lines += [f"value = {value}", 'unit = "nmol/mol"']
    for chamber in RATE:
        lines += [
            "[[chambers]]",
            f'id = "{chamber}"',
            'analyzer = "gc"',
            "area_m2 = 0.1",
            'plot = "1"',
            'heights = [{ from = "2026-01-01T00:00:00+10:00", height_m = 0.15 }]',
        ]
    return "\n".join([*lines, extra]) + "\n"


def truth(chamber: str, seconds: float) -> float:
    """Mole fraction under a lid [nmol mol⁻¹]."""
    return 335.0 + RATE[chamber] * -float(np.expm1(-BEND * seconds)) / BEND


def area(x: float, sequence: float, noise: float = 0.0) -> float:
    """What the detector shows: it bends by a seventh at 2500, and drifts by 4 % in a run."""
    return (9.0 * x - 5e-4 * x**2) * (1.0 + 1e-3 * sequence) + noise


def written(rows: Sequence[Mapping[str, object]]) -> bytes:
    """Rows as a table."""
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()


def vials(
    minutes: Sequence[int] = (0, 20, 40, 60), day: int = 0, prefix: str = "V"
) -> list[dict[str, object]]:
    """A round as it is noted: the chambers three minutes apart, times at the station."""
    rows: list[dict[str, object]] = []
    for i, chamber in enumerate(RATE):
        closed = CLOSED + timedelta(days=day, minutes=3 * i, hours=10)
        for minute in minutes:
            sampled = closed + timedelta(minutes=minute, seconds=7 * i if minute else 0)
            rows.append(
                {
                    "chamber": chamber,
                    "closed_at": closed.strftime("%Y-%m-%dT%H:%M:%S"),
                    "sampled_at": sampled.strftime("%Y-%m-%dT%H:%M:%S"),
                    "vial": f"{prefix}{len(rows) + 1:02d}",
                    "height_m": HEIGHT_M,
                    "air_temperature_c": TEMPERATURE_C,
                    "pressure_hpa": PRESSURE_PA / 100,
                }
            )
    return rows


def held(row: Mapping[str, object]) -> float:
    """What the headspace held when the vial of a row was filled [nmol mol⁻¹]."""
    closed, sampled = (datetime.fromisoformat(str(row[c])) for c in ("closed_at", "sampled_at"))
    return truth(str(row["chamber"]), (sampled - closed).total_seconds())


def run(
    rows: Sequence[Mapping[str, object]],
    *,
    noise: float = 0.002,
    seed: int = 1,
    dilution: float = 1.0,
    between: int = 6,
) -> list[dict[str, object]]:
    """The vials of a table in a run: standards, twice each, before, between and after."""
    rng = np.random.default_rng(seed)
    found: list[dict[str, object]] = []

    def inject(x: float, vial: str = "", standard: str = "") -> None:
        shown = area(x, len(found))
        shown *= 1.0 + noise * rng.standard_normal()
        found.append(
            {
                "sequence": len(found) + 1,
                "vial": vial,
                "standard": standard,
                "gc_n2o": repr(shown),
            }
        )

    def standards() -> None:
        for name, value in STANDARDS.items():
            for _ in range(2):
                inject(value, standard=name)

    standards()
    for i, row in enumerate(rows):
        if i and i % between == 0:
            standards()
        inject(held(row) / dilution, vial=str(row["vial"]))
    standards()
    return found
