"""Compiles what warm.py leaves: visits of a shared analyzer, and every model by itself."""

import tempfile
from pathlib import Path

import numpy as np
from small import shared_stream, station_text, write_log

from stream.compute.replay import replay
from stream.science.models import MODELS
from stream.science.models.fit import lay_end_to_end
from stream.station import load_station

seconds = np.arange(12.0) * 10.0
values = 331.0 + 0.2 * seconds - 1e-4 * seconds**2
for model in MODELS.values():
    for known_variance in (False, True):
        segments = lay_end_to_end([seconds], [values], [np.ones(12)], known_variance=known_variance)
        model.fit(segments)
with tempfile.TemporaryDirectory() as name:
    folder = Path(name)
    (folder / "station.toml").write_text(station_text(shared=True))
    log = write_log(shared_stream(), folder / "in" / "a.csv")
    replay(load_station(folder / "station.toml"), [log], f"sqlite:///{folder}/shared.db")
