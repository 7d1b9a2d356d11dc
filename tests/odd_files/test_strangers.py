"""Ten files by somebody who had not seen the reader, each with what a careful person reads in it.

``expected.csv`` was made from the numbers before they were dressed, not from the file.
"""

import csv
import json
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

import pytest

from odd_files.station import STATION
from stream.cli import main
from stream.store import open_store
from stream.store.journal import Journal

FILES: Final = Path(__file__).parent / "strangers"
Lid = tuple[str, str]
"""The words for open and closed."""


@dataclass(frozen=True)
class Stranger:
    """What a user of the file would write into the station file."""

    number: str
    clock: str
    columns: dict[str, str | Lid]
    keys: str = ""
    told: str = ""
    """Words of what is said of a file that is not read; nothing of it is then taken."""
    exit_code: int = 0

    @property
    def path(self) -> Path:
        return next((FILES / self.number).glob("log.*"))


STRANGERS: Final = [
    Stranger(
        "01", "+01:00",
        {"CO2": "umol/mol", "Deckel": ("auf", "zu"), "Lufttemp.": "degC",
         "Bodentemp. 5 cm": "degC", "Luftdruck": "hPa", "Bodenfeuchte": "%"},
        exit_code=1,  # three lines at its foot
    ),
    Stranger(
        "03", "+00:00",
        {"n2o_nmol_mol": "nmol/mol", "co2_umol_mol": "umol/mol", "lid_closed": ("f", "t"),
         "air_c": "degC", "soil_c": "degC", "press_pa": "Pa"},
        keys='time_column = "measured_ms"',
        exit_code=1,  # two lines at its foot
    ),
    Stranger(
        "04", "-07:00",
        {"CH4 (ppb)": "nmol/mol", "CO2 (ppm)": "umol/mol", "Lid": ("0", "1"),
         "Air temp (°C)": "degC", "Soil temp 10 cm (°C)": "degC", "Pressure (Pa)": "Pa",
         "Soil water (m³ m⁻³)": "m3/m3"},
        keys='decimal = "."',
    ),
    Stranger(
        "08", "+01:00",
        {"CO2": "umol/mol", "deksel": ("open", "dicht"), "bodemtemperatuur": "degC",
         "luchttemperatuur": "degC", "luchtdruk": "hPa", "vochtgehalte": "%"},
        keys='clock = "Europe/Amsterdam"',
    ),
    Stranger(
        "02", "+09:00", {"methane": "nmol/mol", "carbon dioxide": "umol/mol"},
        told="no column of times in its header", exit_code=2,
    ),
    Stranger(
        "05", "+00:00", {"co2": "umol/mol", "ch4": "nmol/mol", "tair": "degC"},
        keys='delimiter = " "', told="set header_line = 0 and columns", exit_code=2,
    ),
    Stranger(
        "06", "+02:00", {"CO2": "umol/mol", "N2O": "nmol/mol"},
        told="no column of times in its header", exit_code=2,
    ),
    Stranger(
        "07", "-04:00", {"CO2": "umol/mol", "CH4": "nmol/mol"},
        keys='time_column = "Instant"', told="is not a time", exit_code=1,
    ),
    Stranger(
        "09", "+00:00", {"co2_ppm": "umol/mol", "tair_C": "degC"},
        told="no column of times in its header", exit_code=2,
    ),
    Stranger(
        "10", "+05:45", {"CO2": "umol/mol", "Air T": "degC"},
        told="is not a time", exit_code=1,
    ),
]  # fmt: skip
by_file = pytest.mark.parametrize("case", STRANGERS, ids=lambda c: c.number)


def expected(case: Stranger) -> dict[tuple[str, int], float]:
    """Column and time [µs] → value."""
    found = {}
    with (FILES / case.number / "expected.csv").open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            at = round(datetime.fromisoformat(row["time"]).timestamp() * 1e6)
            for column, unit in case.columns.items():
                cell = row[column]
                if cell and isinstance(unit, tuple):
                    found[column, at] = float(unit.index(cell))
                elif cell:
                    found[column, at] = float(cell)
    return found


def channels(case: Stranger) -> str:
    lines = []
    for i, (column, unit) in enumerate(case.columns.items()):
        lines += [f"[channels.c{i}]", f"column = {json.dumps(column, ensure_ascii=False)}"]
        if isinstance(unit, str):
            lines.append(f'unit = "{unit}"')
            continue
        lines.append('unit = "1"')
        if unit != ("0", "1"):
            states = ", ".join(f'"{word}" = {number}' for number, word in enumerate(unit))
            lines.append(f"states = {{ {states} }}")
    return "\n".join(lines)


@by_file
def test_it_is_read_whole_or_not_at_all(
    case: Stranger, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every number as it is meant, or none, with a line that says why."""
    text = STATION.format(clock=case.clock, source=case.keys, channels=channels(case))
    (tmp_path / "station.toml").write_text(text, encoding="utf-8")
    url = f"sqlite:///{tmp_path / 'x.db'}"
    replay = ["replay", str(tmp_path / "station.toml"), str(case.path), "--database", url]
    assert main([*replay, "--partial"]) == case.exit_code
    said = "".join(capsys.readouterr())
    got: dict[tuple[str, int], float] = {}
    if (tmp_path / "x.db").exists():
        with closing(open_store(url)) as store:
            journal = Journal(store, "odd")
            for i, column in enumerate(case.columns):
                series = journal.read([f"c{i}"], 0, 2**62)[f"c{i}"].filled()
                pairs = zip(series.times.tolist(), series.values.tolist(), strict=True)
                got |= {(column, at): value for at, value in pairs}
    assert case.told in said
    assert got == ({} if case.told else expected(case))


def test_there_are_ten_and_all_hold_something() -> None:
    assert sorted(c.number for c in STRANGERS) == [f"{n:02}" for n in range(1, 11)]
    assert all(len(expected(c)) > 100 for c in STRANGERS)
