"""Simulated stations with their results, for tests of what people import."""

from pathlib import Path

from stream.compute.replay import replay
from stream.demo.scenario import Scenario
from stream.demo.write import write_station
from stream.station import load_station

RAIN = '\n[[events]]\nkind = "rain"\nday = "2026-06-15"\namount = 12.0\n'


def made(scenario: Scenario, folder: Path) -> Path:
    """A station with its records taken; the path of its station file."""
    folder.mkdir(parents=True)
    path = write_station(scenario, folder)
    if scenario.kind == "own_line":
        path.write_text(path.read_text(encoding="utf-8") + RAIN, encoding="utf-8")
    file = load_station(path)
    replay(file, [folder / "incoming"], file.database_url)
    return path
