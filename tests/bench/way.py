"""The way of a record through the code: ``python tests/bench/way.py``.

A day of the demonstration's first station, without faults, is replayed and its fluxes are
exported in this process, while every call of a function of ``stream`` is noted. Prints how many
files and functions the records went through, and how often a call went from one file, or one room,
into another; with ``--files`` which files those were, and how many calls each took.
"""

import argparse
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from types import CodeType, FrameType

import stream
from stream.compute.replay import replay
from stream.demo.scenario import own_line
from stream.demo.write import write_station
from stream.report.export import export
from stream.station import load_station

PACKAGE = Path(stream.__file__).parent


@dataclass(slots=True)
class Way:
    """What was called, and from where."""

    files: Counter[str] = field(default_factory=Counter)
    functions: set[CodeType] = field(default_factory=set)
    turns: Counter[tuple[str, str]] = field(default_factory=Counter)
    """(room that called, room that was called)"""
    between_files: int = 0
    _known: dict[str, str] = field(default_factory=dict)

    def note(self, frame: FrameType, event: str, _: object) -> None:
        """As ``sys.setprofile`` calls it."""
        if event != "call":
            return
        here = self._place(frame.f_code.co_filename)
        if not here or frame.f_code.co_name.startswith("<"):
            return
        self.files[here] += 1
        self.functions.add(frame.f_code)
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


def walked(days: int = 1) -> Way:
    """The way of the records of some days, from files to an export."""
    way = Way()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        file = load_station(write_station(own_line(days, faults=False), folder))
        url = f"sqlite:///{folder / 'way.db'}"
        sys.setprofile(way.note)
        try:
            replay(file, [folder / "incoming"], url)
            export(file, "fluxes", folder / "fluxes.csv", url)
        finally:
            sys.setprofile(None)
    return way


def main() -> None:
    """Print them."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--files", action="store_true", help="list them, with the calls of each")
    given = parser.parse_args()
    way = walked()
    print(f"{len(way.files)} files, {len(way.functions)} functions, {way.files.total():,} calls")
    print(f"{way.between_files:,} calls into another file, {way.turns.total():,} into another room")
    for (there, here), count in way.turns.most_common(8):
        print(f"    {there} → {here}: {count:,}")
    if given.files:
        for name, count in sorted(way.files.items()):
            print(f"{count:8,}  {name}")


if __name__ == "__main__":
    main()
