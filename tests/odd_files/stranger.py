"""Files by people who had not seen the reader, as cases, and the first ten of them."""

import csv
import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from odd_files.case import OddFile, Records

HERE: Final = Path(__file__).parent
Lid = tuple[str, str]
"""The words for open and closed."""


@dataclass(frozen=True)
class Stranger:
    """What a user of the file would write into the station file.

    Attributes
    ----------
    number : str
        Of its folder.
    clock : str
        Of the station.
    columns : dict of str to str or (str, str)
        Header → unit, or the words for open and closed.
    keys : str
        TOML: keys of the source.
    told : str
        Words of what is said of a file that is not read; nothing of it is then taken.
    exit_code : int
    asked : str
        Words of what is said where no keys are given; nothing is then taken.
    header_lines : int
        Leading lines that each piece must begin with.
    names : tuple of str
        Headers in the table of what is expected; () where they are those of ``columns``.
    folder : str
    cut : bool
        False where the file is one line.
    """

    number: str
    clock: str
    columns: dict[str, str | Lid]
    keys: str = ""
    told: str = ""
    exit_code: int = 0
    asked: str = ""
    header_lines: int = 1
    names: tuple[str, ...] = ()
    folder: str = "strangers"
    cut: bool = True

    @property
    def path(self) -> Path:
        """The file."""
        return next((HERE / self.folder / self.number).glob("log.*"))

    def records(self) -> Records:
        """What the table beside the file says, by channel."""
        found: Records = {f"c{i}": [] for i in range(len(self.columns))}
        table = self.path.with_name("expected.csv")
        with table.open(encoding="utf-8", newline="") as lines:
            for row in csv.DictReader(lines):
                at = datetime.fromisoformat(row["time"]).astimezone(UTC)
                named = zip(self.columns.values(), self.names or self.columns, strict=True)
                for i, (unit, name) in enumerate(named):
                    cell = row[name]
                    if cell:
                        value = unit.index(cell) if isinstance(unit, tuple) else cell
                        found[f"c{i}"].append((f"{at:%Y-%m-%dT%H:%M:%S.%fZ}", float(value)))
        return {c: sorted(pairs) for c, pairs in found.items()}

    def channels(self) -> str:
        """Their tables in TOML."""
        lines = []
        for i, (column, unit) in enumerate(self.columns.items()):
            name = json.dumps(column, ensure_ascii=False)
            lines += [f"[channels.c{i}]", f"column = {name}"]
            if isinstance(unit, str):
                lines.append(f'unit = "{unit}"')
                continue
            lines.append('unit = "1"')
            if unit != ("0", "1"):
                states = ", ".join(f'"{word}" = {number}' for number, word in enumerate(unit))
                lines.append(f"states = {{ {states} }}")
        return "\n".join(lines)

    def case(self) -> OddFile:
        """As an odd file; of one that is not read nothing is expected."""
        return OddFile(
            id=f"{self.folder}-{self.number}",
            files={self.path.name: self.path.read_bytes()},
            channels=self.channels(),
            source=self.keys,
            clock=self.clock,
            records={} if self.told else self.records(),
            exit_code=self.exit_code,
            header_lines=self.header_lines,
            cut=self.cut,
        )

    def unasked(self) -> "Stranger":
        """The same file where nobody has given a key yet."""
        return replace(self, keys="", told=self.asked)


STRANGERS: Final = [
    Stranger(
        "01", "+01:00",
        {"CO2": "umol/mol", "Deckel": ("auf", "zu"), "Lufttemp.": "degC",
         "Bodentemp. 5 cm": "degC", "Luftdruck": "hPa", "Bodenfeuchte": "%"},
        exit_code=1,  # three lines at its foot
        header_lines=7,
    ),
    Stranger(
        "03", "+00:00",
        {"n2o_nmol_mol": "nmol/mol", "co2_umol_mol": "umol/mol", "lid_closed": ("f", "t"),
         "air_c": "degC", "soil_c": "degC", "press_pa": "Pa"},
        keys='time_column = "measured_ms"',
        exit_code=1,  # two lines at its foot
        header_lines=4,
    ),
    Stranger(
        "04", "-07:00",
        {"CH4 (ppb)": "nmol/mol", "CO2 (ppm)": "umol/mol", "Lid": ("0", "1"),
         "Air temp (°C)": "degC", "Soil temp 10 cm (°C)": "degC", "Pressure (Pa)": "Pa",
         "Soil water (m³ m⁻³)": "m3/m3"},
        keys='decimal = "."', header_lines=3,
    ),
    Stranger(
        "08", "+01:00",
        {"CO2": "umol/mol", "deksel": ("open", "dicht"), "bodemtemperatuur": "degC",
         "luchttemperatuur": "degC", "luchtdruk": "hPa", "vochtgehalte": "%"},
        keys='clock = "Europe/Amsterdam"', header_lines=7,
    ),
    Stranger(
        "02", "+09:00", {"methane": "nmol/mol", "carbon dioxide": "umol/mol"},
        told="no column of times in its header", exit_code=2, header_lines=1,
    ),
    Stranger(
        "05", "+00:00", {"co2": "umol/mol", "ch4": "nmol/mol", "tair": "degC"},
        keys='delimiter = " "', told="set header_line = 0 and columns", exit_code=2,
        header_lines=13,
    ),
    Stranger(
        "06", "+02:00", {"CO2": "umol/mol", "N2O": "nmol/mol"},
        told="no column of times in its header", exit_code=2, header_lines=7,
    ),
    Stranger(
        "07", "-04:00", {"CO2": "umol/mol", "CH4": "nmol/mol"},
        keys='time_column = "Instant"', told="is not a time", exit_code=1, header_lines=5,
    ),
    Stranger(
        "09", "+00:00", {"co2_ppm": "umol/mol", "tair_C": "degC"},
        told="no column of times in its header", exit_code=2, header_lines=2,
    ),
    Stranger(
        "10", "+05:45", {"CO2": "umol/mol", "Air T": "degC"},
        told="is not a time", exit_code=1,
        cut=False,  # one line
    ),
]  # fmt: skip
