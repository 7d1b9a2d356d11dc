"""Loads all that a service and a replay need, compiled functions too; see forking.py."""

import gc
import tempfile
from pathlib import Path

from small import own_line_stream, station_text, write_log

import stream.cli.command
import stream.service.run  # noqa: F401
from stream.compute.replay import replay
from stream.station import load_station

with tempfile.TemporaryDirectory() as name:
    folder = Path(name)
    (folder / "station.toml").write_text(station_text())
    log = write_log(own_line_stream(hours=0.3), folder / "in" / "a.csv")
    replay(load_station(folder / "station.toml"), [log], f"sqlite:///{folder}/warm.db")
gc.freeze()
