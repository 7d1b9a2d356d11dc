"""The way of a record through the code: ``python tests/bench/way.py``.

A day of the demonstration's first station, without faults, is replayed and its fluxes are
exported in this process, while every call of a function of ``stream`` is noted. Prints how many
files and functions the records went through, and how often a call went from one file, or one room,
into another; with ``--files`` which files those were, room by room, and how many calls each took.

Two counts: the way of the records, from the first byte that the replay looks at to the last byte
of the export, with the station file loaded and the database made beforehand; and the same with
that preparation, each in a process of its own. Nothing that runs between the two moments is left
out, in whatever thread.
"""

import argparse
import sys
import tempfile
import threading
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

import stream
from stream.compute.replay import replay
from stream.demo.scenario import own_line
from stream.demo.write import write_station
from stream.report.export import export
from stream.station import load_station
from stream.store import open_store

PACKAGE = Path(stream.__file__).parent


@dataclass(slots=True)
class Way:
    """What was called, and from where."""

    files: Counter[str] = field(default_factory=Counter)
    functions: Counter[tuple[str, str]] = field(default_factory=Counter)
    """(file, its name in there) → calls"""
    turns: Counter[tuple[str, str]] = field(default_factory=Counter)
    """(room that called, room that was called)"""
    between_files: int = 0
    _known: dict[str, str] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def note(self, frame: FrameType, event: str, _: object) -> None:
        """As ``sys.setprofile`` calls it."""
        if event != "call":
            return
        here = self._place(frame.f_code.co_filename)
        if not here or frame.f_code.co_name.startswith("<"):
            return
        with self._lock:
            self._count(here, frame)

    def _count(self, here: str, frame: FrameType) -> None:
        self.files[here] += 1
        self.functions[here, frame.f_code.co_qualname] += 1
        back = frame.f_back
        while back is not None and not (there := self._place(back.f_code.co_filename)):
            back = back.f_back
        if back is None or there == here:
            return
        self.between_files += 1
        rooms = (there.split("/")[0], here.split("/")[0])
        if rooms[0] != rooms[1]:
            self.turns[rooms] += 1

    def _place(self, name: str) -> str:
        if name not in self._known:
            path = Path(name)
            inside = path.is_relative_to(PACKAGE)
            self._known[name] = str(path.relative_to(PACKAGE)) if inside else ""
        return self._known[name]

    def __getstate__(self) -> tuple[object, ...]:
        return self.files, self.functions, self.turns, self.between_files

    def __setstate__(self, state: tuple[object, ...]) -> None:
        self.files, self.functions, self.turns, self.between_files = state

    def begin(self) -> None:
        """Count calls from now on, in this thread and in those that it starts."""
        threading.setprofile(self.note)
        sys.setprofile(self.note)


def walked(days: int = 1, *, preparation: bool = False) -> Way:
    """The way of the records of some days, from files to an export.

    With ``preparation`` loading the station file and making the database are counted too.
    """
    way = Way()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = write_station(own_line(days, faults=False), folder)
        url = f"sqlite:///{folder / 'way.db'}"
        try:
            if preparation:
                way.begin()
            file = load_station(path)
            open_store(url).close()
            way.begin()
            replay(file, [folder / "incoming"], url)
            export(file, "fluxes", folder / "fluxes.csv", url)
        finally:
            sys.setprofile(None)
            threading.setprofile(None)
    return way


def _walked(preparation: bool) -> Way:
    return walked(preparation=preparation)


def _told(what: str, way: Way) -> None:
    print(
        f"{what}: {len(way.files)} files, {len(way.functions)} functions,"
        f" {way.files.total():,} calls; {way.between_files:,} into another file,"
        f" {way.turns.total():,} into another room"
    )


def main() -> None:
    """Print them."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--files", action="store_true", help="list them, with the calls of each")
    given = parser.parse_args()
    # A process each: what one of them keeps in memory the other would not call for.
    with ProcessPoolExecutor(1, max_tasks_per_child=1) as alone:
        way, with_preparation = alone.map(_walked, (False, True))
    _told("the records", way)
    _told("with preparation", with_preparation)
    for (there, here), count in way.turns.most_common(8):
        print(f"    {there} → {here}: {count:,}")
    if given.files:
        rooms = Counter(name.split("/")[0] for name in way.files)
        for room, count in sorted(rooms.items()):
            print(f"{room}: {count} files")
            for name in sorted(n for n in way.files if n.split("/")[0] == room):
                print(f"{way.files[name]:8,}  {name}")


if __name__ == "__main__":
    main()
