"""Odd files before the reader: a station of their own, a database, and what came of it."""

from collections import Counter
from contextlib import closing
from dataclasses import asdict
from datetime import datetime, timedelta
from pathlib import Path

from odd_files.case import OddFile, Records
from odd_files.cutting import steps
from odd_files.station import station_text
from stream.compute.replay import join
from stream.ingest.files.folder import FolderWatch
from stream.ingest.files.position import Position
from stream.station import FolderSource, StationFile, load_station
from stream.store import Store, open_store
from stream.store.journal.journal import Journal
from stream.store.results.readers import Reader

Micros = dict[str, list[tuple[int, float]]]


class Trial:
    """One case in a folder of its own."""

    def __init__(self, case: OddFile, folder: Path, empty: Path) -> None:
        self.case = case
        self.folder = folder
        self.station = folder / "station.toml"
        self.database = folder / "odd.db"
        # A database that is made already saves a second for each case.
        self.database.write_bytes(empty.read_bytes())
        self.url = f"sqlite:///{self.database}"
        self.incoming = folder / "incoming"
        self.incoming.mkdir()
        self.write_station(answered=False)

    def write_station(self, *, answered: bool) -> None:
        """The station file, with the answer to what is asked or without."""
        self.station.write_text(station_text(self.case, answered=answered), encoding="utf-8")

    def put(self, files: dict[str, bytes]) -> list[Path]:
        """Files into the watched folder, in their order."""
        for name, content in files.items():
            (self.incoming / name).write_bytes(content)
        return [self.incoming / name for name in files]

    def stored(self) -> Micros:
        """Every record in the database."""
        with closing(open_store(self.url)) as store:
            return records_of(store)

    def refused(self) -> list[tuple[str, int, str, str]]:
        """Source, line, reason, text of all that was refused, in order."""
        with closing(open_store(self.url)) as store:
            rows = Reader(store, "odd").quarantine()
            return sorted((r["source"], r["line"], r["reason"], r["text"]) for r in rows)

    def refused_lines(self) -> Counter[tuple[str, int]]:
        """How often each line was refused; files that were refused as a whole left out."""
        return Counter((source, line) for source, line, _, _ in self.refused() if line > 0)


def records_of(store: Store) -> Micros:
    """Every record of the station, times in microseconds since 1970."""
    journal = Journal(store, "odd", None)
    series = {c: s.filled() for c, s in journal.read(journal.extent(), 0, 2**62).items()}
    return {
        c: list(zip(s.times.tolist(), s.values.tolist(), strict=True))
        for c, s in series.items()
        if len(s.times)
    }


def micros(stamp: str) -> int:
    """RFC 3339 as microseconds since 1970."""
    since = datetime.fromisoformat(stamp) - datetime.fromisoformat("1970-01-01T00:00:00Z")
    return since // timedelta(microseconds=1)


def expected(records: Records | None) -> Micros:
    """Expected records as they are stored."""
    return {c: [(micros(t), v) for t, v in found] for c, found in (records or {}).items() if found}


def differences(wanted: Micros, found: Micros) -> list[str]:
    """What is amiss, a line for each; NaN is wanted where a lid is in neither state."""
    wrong = [f"{c}: no such record is wanted: {found[c][:3]}" for c in found.keys() - wanted.keys()]
    for channel, pairs in wanted.items():
        there, states = dict(found.get(channel, [])), {v for _, v in pairs if v == v}
        due = dict(pairs)
        for t in sorted(due.keys() | there.keys()):
            w, f = due.get(t), there.get(t)
            neither = w is not None and w != w and f is not None and f == f and f not in states
            if w != f and not neither:
                wrong.append(f"{channel} at {t / 1e6:.6f}: {f} where {w} is wanted")
    return wrong


class Grower:
    """A watched folder and the database that takes what it brings."""

    def __init__(self, trial: Trial) -> None:
        self._trial = trial
        self.start()

    def start(self) -> None:
        """Begin, or begin anew with what the database knows."""
        self.store = open_store(self._trial.url)
        self._file: StationFile = load_station(self._trial.station)
        self._parts = join(self._file, self.store)
        reader = Reader(self.store, "odd")
        known = [Position(**row) for row in reader.positions()]
        (source,) = self._file.station.sources
        assert isinstance(source, FolderSource)
        self._watch = FolderWatch(
            self._file.station, source, self._trial.incoming, known, reader.date_orders()
        )

    def stop(self) -> None:
        """Close the database."""
        self.store.close()

    def restart(self) -> None:
        """As after a failure of power."""
        self.stop()
        self.start()

    def poll(self) -> None:
        """Take what is there."""
        for batch, position in self._watch.poll():
            self._parts.intake.take(batch, [] if position is None else [asdict(position)])

    def grow(self, *, restarted: bool) -> None:
        """Write each file in three steps with a poll after each, then poll until all is quiet."""
        for name, content in self._trial.case.files.items():
            for i, part in enumerate(steps(self._trial.case, content)):
                with (self._trial.incoming / name).open("ab") as out:
                    out.write(part)
                self.poll()
                if restarted and i < 2:
                    self.restart()
        self.settle()

    def settle(self) -> None:
        """A few polls more: whole documents are read once they do not change."""
        for _ in range(3):
            self.poll()


def right(trial: Trial, said: object = "") -> None:
    """Exactly the expected records are stored."""
    assert differences(expected(trial.case.records), trial.stored()) == [], said
