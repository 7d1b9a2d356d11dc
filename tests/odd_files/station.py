"""The station of an odd file: its own channels, beside what a valid station file needs."""

import tomllib
from typing import Final

from odd_files.case import OddFile

STATION: Final = """
[station]
id = "odd"
elevation_m = 100.0
clock = "{clock}"
timezone = "UTC"

[[sources]]
kind = "folder"
path = "incoming"
pattern = "*.*"
{source}

[[analyzers]]
id = "spare"
gases = {{ N2O = "spare_gas" }}
basis = "dry"

[channels.spare_gas]
unit = "nmol/mol"
[channels.spare_temp]
unit = "degC"
[channels.spare_lid]
unit = "1"

[[chambers]]
id = "SPARE"
analyzer = "spare"
lid_channel = "spare_lid"
area_m2 = 0.25
air_temperature_channel = "spare_temp"
heights = [{{ from = "2026-01-01T00:00:00Z", height_m = 0.15 }}]

[closure]
expected_per_day = 0

{channels}
"""
"""No odd file holds a record of what is spare."""


def station_text(case: OddFile, *, answered: bool) -> str:
    """The station file, with the answer to what is asked or without."""
    source = f"{case.source}\n{case.answer if answered else ''}"
    return STATION.format(clock=case.clock, source=source, channels=case.channels)


def channel_names(case: OddFile) -> set[str]:
    """Channels that a case defines."""
    return set(tomllib.loads(case.channels)["channels"])
