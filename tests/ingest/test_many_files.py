"""Folders with very many files: a look costs what is new, counted in lines of Python."""

import sys
import threading
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from types import FrameType

import pytest
from watched import Make, OpenParts, Station

from stream.service.inbox import Inbox, Read
from stream.service.intakes import FolderIntake
from stream.service.process.state import SourceState, State
from stream.store.results.readers import Reader
from stream.store.station_data import Marks
from stream.times import SECOND, rfc3339

T0 = 1_770_000_000


@pytest.fixture
def station(make_station: Make, open_parts: OpenParts, sqlite_url: str) -> Station:
    return Station(make_station(), open_parts, sqlite_url)


def write(folder: Path, first: int, count: int) -> None:
    """So many logs of three lines."""
    for i in range(first, first + count):
        times = [rfc3339((T0 + 30 * i + 10 * k) * SECOND) for k in range(3)]
        lines = "".join(f"{time},331.{k}\n" for k, time in enumerate(times))
        (folder / f"log-{i:06}.csv").write_text(f"time,n2o\n{lines}")


def steps_of(work: Callable[[], object]) -> int:
    """How many lines of Python a piece of work goes through."""
    count = 0

    def note(_frame: FrameType, event: str, _about: object) -> Callable[..., object]:
        nonlocal count
        count += event == "line"
        return note

    before = sys.gettrace()
    sys.settrace(note)
    try:
        work()
    finally:
        sys.settrace(before)
    return count


def take(station: Station) -> int:
    """One look, committed in groups as the service does; how many pieces there were."""
    pieces = [(batch, [] if at is None else [asdict(at)]) for batch, at in station.watch.poll()]
    for first in range(0, len(pieces), 200):
        station.parts.intake.take_all(pieces[first : first + 200])
    return len(pieces)


def test_twice_as_many_files_cost_twice_as_much(station: Station) -> None:
    write(station.folder, 0, 20)
    take(station)  # what is made once
    write(station.folder, 20, 200)
    few = steps_of(lambda: take(station))
    write(station.folder, 220, 400)
    many = steps_of(lambda: take(station))
    assert many < 2.4 * few
    idle = steps_of(lambda: take(station))
    assert idle < 0.1 * many, "files that are known are looked at, and not opened"
    assert sum(map(len, station.records().values())) == 3 * 620


def test_many_small_files_are_committed_together(station: Station) -> None:
    """A commit waits for the disk: one a file took a minute for 20,000."""
    write(station.folder, 0, 400)
    inbox, stop = Inbox(), threading.Event()
    reader, marks = Reader(station.store, "small"), Marks(station.store, "small")
    state = State("small", [SourceState("incoming")], station.folder)
    source = station.file.station.sources[0]
    intake = FolderIntake(
        station.file, 0, source, reader, inbox, marks, state, lambda *_, **__: None
    )  # type: ignore[arg-type]
    thread = threading.Thread(target=intake.run, args=(stop, lambda: None))
    thread.start()
    groups = []
    try:
        while sum(groups) < 400 and len(groups) < 100:
            for item in inbox.gather(1.0):
                assert isinstance(item, Read)
                groups.append(len(item.chunks))
                item.done.set()
    finally:
        stop.set()
        thread.join(10)
    assert sum(groups) == 400
    assert len(groups) < 40
