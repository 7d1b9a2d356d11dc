"""Many stations in one database: each as if it were alone."""

import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

from small import own_line_stream, station_text, write_log

from stream.field.log import keep_note
from stream.pipeline.note import take_up
from stream.station import FieldNote, StationFile, load_station
from stream.store import open_store
from stream.store.journal import Journal
from stream.store.notes import Notes
from stream.store.readers import Reader

STATIONS = ("small", "other", "third")


def made(folder: Path, name: str, seed: int) -> tuple[StationFile, Path]:
    """A station of that name, and its log, in a folder of its own."""
    place = folder / name
    place.mkdir()
    path = place / "station.toml"
    path.write_text(station_text().replace('id = "small"', f'id = "{name}"'))
    return load_station(path), write_log(own_line_stream(seed=seed), place / "log.csv")


def read(url: str, station: str) -> dict[str, Any]:
    """Everything of one station, but for its name."""
    with closing(open_store(url)) as store:
        reader = Reader(store, station)
        rows = {
            "fluxes": [dict(r) for r in reader.fluxes()],
            "gaps": list(reader.gaps()),
            "extent": Journal(store, station).extent(),
            "notes": Notes(store, station).all(),
        }
    for name in ("fluxes", "gaps"):
        for r in rows[name]:
            r.pop("station")
            r.pop("station_digest")  # the name is a part of what it is of
            if "models" in r:
                r["models"] = {k: {**m, "station": ""} for k, m in r["models"].items()}
    return rows


def test_stations_that_come_at_once_do_not_touch_one_another(
    tmp_path: Path, database_url: str
) -> None:
    """Three replays as processes, at the same time into one database: as three alone."""
    stations = {name: made(tmp_path, name, seed) for seed, name in enumerate(STATIONS)}
    running = [
        subprocess.Popen(
            [
                sys.executable, "-m", "stream.cli", "replay", str(file.path), str(log),
                "--database", database_url,
            ],
            stderr=subprocess.PIPE,
            text=True,
        )
        for file, log in stations.values()
    ]  # fmt: skip
    for process in running:
        _, errors = process.communicate(timeout=120)
        assert process.returncode == 0, errors
    for name, (file, log) in stations.items():
        alone = f"sqlite:///{tmp_path / name}.db"
        done = subprocess.run(
            [
                sys.executable, "-m", "stream.cli", "replay", str(file.path), str(log),
                "--database", alone,
            ],
            capture_output=True,
        )  # fmt: skip
        assert done.returncode == 0
        found = read(database_url, name)
        assert len(found["fluxes"]) > 8
        assert found == read(alone, name)


def test_a_note_of_one_station_leaves_the_others_alone(
    tmp_path: Path, database_url: str, open_parts: Callable[..., Any]
) -> None:
    for seed, name in enumerate(STATIONS[:2]):
        file, _ = made(tmp_path, name, seed)
        _, parts = open_parts(file, database_url)
        parts.intake.take(own_line_stream(seed=seed))
        parts.settlement.settle()
    before = read(database_url, "other")
    file = load_station(tmp_path / "small" / "station.toml")
    with closing(open_store(database_url)) as store:
        text = "somebody stood on it"
        note = FieldNote(0, 1, None, 0, "bad", "R. Tarn", "", "", "", None, text, None)
        assert keep_note(store, file.station, note) == 1
        take_up(file, store)
    assert all("marked_bad" in r["flags"] for r in read(database_url, "small")["fluxes"])
    assert read(database_url, "other") == before
