"""Clocks that are wrong: this computer's, a logger's for a moment, a logger's for good."""

import resource
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from broker import Mosquitto
from inside import Inside
from small import RESULTS, contents, own_line_stream, packs, part, station_text, stored, write_log

from stream.compute.replay import Pipeline, join, replay
from stream.errors import StoreError
from stream.ingest.batches import Batch, tidy
from stream.service.clock import ComputerClock
from stream.service.inbox import Inbox, Task
from stream.service.process.state import SourceState, State
from stream.service.schedule import MOST_REMOVED, Schedule
from stream.station import StationFile, load_station
from stream.store import Store, open_store
from stream.store.journal.archive import Archive
from stream.store.journal.scrub import Scrub
from stream.store.messages import Messages
from stream.store.results.readers import Reader
from stream.store.results.settled_months import SettledMonths
from stream.store.station_data import Marks
from stream.times import DAY, SECOND

TOPIC = "small/records/a"
BATCH = own_line_stream(hours=0.6)
HALF = len(BATCH) // 2
YEAR_2099 = 4_070_908_800 * SECOND
MakeStation = Callable[..., Path]
OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]
Undisturbed = Callable[..., dict[str, object]]
Measured = Callable[[str, object], None]


class Jumping:
    """This computer's clock, that a test may set."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self._time, self._time_ns = time.time, time.time_ns
        self.by_s = 0
        monkeypatch.setattr(time, "time", lambda: self._time() + self.by_s)
        monkeypatch.setattr(time, "time_ns", lambda: self._time_ns() + self.by_s * 10**9)


@pytest.fixture
def jumping(monkeypatch: pytest.MonkeyPatch) -> Iterator[Jumping]:
    """The clock of the process; it is right again before anything else is taken down."""
    clock = Jumping(monkeypatch)
    yield clock
    clock.by_s = 0


def until_now() -> Batch:
    """The small stream, moved so that it ends now."""
    shift = round(time.time()) - int(BATCH.times[-1]) // SECOND
    return replace(BATCH, times=BATCH.times + shift * SECOND)


# ── this computer's clock


def days_of_records(days: int) -> Batch:
    """A record every ten minutes that ends now."""
    now = time.time_ns() // 1000 // SECOND * SECOND
    times = now - np.arange(days * 144)[::-1] * 600 * SECOND
    return tidy("log", times, {"n2o": np.full(len(times), 331.0)}, np.arange(len(times)))


class Keeper:
    """The hourly look at the archive of a station with twenty days of records."""

    def __init__(self, folder: Path, open_parts: OpenParts, url: str) -> None:
        rules = "[archive]\nafter_days = 2\nkeep_days = 10"
        (folder / "station.toml").write_text(station_text(extra=rules))
        self.file = load_station(folder / "station.toml")
        self.store, self.parts = open_parts(self.file, url)
        self.archive = Archive(self.store, "small", self.file.archive)
        self.marks = Marks(self.store, "small")
        self.told: list[str] = []
        self.clock = ComputerClock(self.marks, self.tell)
        self.take(days_of_records(20))

    def tell(self, level: str, text: str, **_: object) -> None:
        self.told.append(text)

    def take(self, batch: Batch) -> None:
        self.parts.intake.take(batch)
        self.parts.settlement.settle()

    def schedule(self, inbox: Inbox) -> Schedule:
        return Schedule(
            self.file, self.archive, SettledMonths(self.store, "small", self.file.archive),
            Scrub(self.store, "small", self.file.archive),
            Reader(self.store, "small"), inbox,
            State("small", [SourceState("log")], self.file.path.parent), self.clock,
            lambda: self.parts.intake.latest_us, [], lambda: None, lambda: None, self.tell,
            lambda: self.told.append("summed up"), lambda: None,
        )  # fmt: skip

    def look(self) -> int:
        """How many days there still are."""
        inbox = Inbox()
        self.schedule(inbox).archive()
        (task,) = inbox.gather(0.1)
        assert isinstance(task, Task)
        task.work()
        self.parts.intake.refresh()
        return len(self.parts.journal.days(0, 2**62))


@pytest.fixture
def keeper(tmp_path: Path, open_parts: OpenParts, database_url: str) -> Keeper:
    return Keeper(tmp_path, open_parts, database_url)


def test_months_that_cannot_be_written_stop_nothing_else(
    keeper: Keeper, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuses(*_: object) -> int:
        raise StoreError("archive/fluxes: months of fluxes cannot be written")

    monkeypatch.setattr(SettledMonths, "keep", refuses)
    days = len(keeper.parts.journal.days(0, 2**62))
    assert keeper.look() == days - MOST_REMOVED
    assert "months of fluxes not written" in keeper.told


def test_retention_goes_slowly_and_what_it_removed_waits(keeper: Keeper) -> None:
    days = len(keeper.parts.journal.days(0, 2**62))
    assert days >= 20
    assert keeper.look() == days - MOST_REMOVED
    assert keeper.look() in {10, 11}, "keep_days, and today"
    assert keeper.look() in {10, 11}
    assert len(list(keeper.archive.trash.iterdir())) == days - keeper.look()


@pytest.mark.parametrize("jump_days", [30, 400, 10_000])
def test_a_clock_that_jumped_ahead_removes_nothing(
    jumping: Jumping, keeper: Keeper, measured: Measured, jump_days: int
) -> None:
    for _ in range(3):
        before = keeper.look()
    jumping.by_s = jump_days * 86_400
    assert keeper.clock.look()
    deleted = before - min(keeper.look() for _ in range(3))
    measured(f"days deleted after the clock jumps {jump_days} days ahead", deleted)
    assert deleted == 0
    # Nor where the jump was not noticed: a record must have come as late as that.
    keeper.clock.doubt = ""
    for _ in range(5):
        kept = keeper.look()
    assert kept >= before - 1
    keeper.take(days_of_records(20))
    refused = len(stored(keeper.store, "quarantine")["quarantine"])
    measured("of the same records sent again, refused", refused)
    assert refused == 0


def test_in_doubt_no_day_is_summed_up(jumping: Jumping, keeper: Keeper) -> None:
    """It would be summed up before it is over, or a day that never was."""
    schedule = keeper.schedule(Inbox())
    schedule.summary()
    assert keeper.told == ["summed up"]
    jumping.by_s = 400 * 86_400
    keeper.clock.look()
    keeper.told.clear()
    schedule.summary()
    assert keeper.told == []
    jumping.by_s = 0
    keeper.clock.look()
    keeper.told.clear()
    schedule.summary()
    assert keeper.told == ["summed up"]


@pytest.mark.parametrize("days", [40, 4000])
def test_a_clock_that_jumped_while_the_computer_was_off_removes_nothing(
    jumping: Jumping, keeper: Keeper, days: int
) -> None:
    for _ in range(3):
        before = keeper.look()
    keeper.clock.keep()
    jumping.by_s = days * 86_400
    keeper.clock = ComputerClock(keeper.marks, keeper.tell)
    assert "when last looked at" in keeper.clock.doubt
    assert keeper.look() == before
    keeper.clock = ComputerClock(keeper.marks, keeper.tell, right=True)
    assert keeper.look() >= before - 1, "even then only as far as records have come"


def test_the_trash_is_emptied_after_thirty_days(jumping: Jumping, keeper: Keeper) -> None:
    for _ in range(3):
        keeper.look()
    waiting = len(list(keeper.archive.trash.iterdir()))
    assert waiting
    jumping.by_s = 31 * 86_400
    keeper.take(days_of_records(1))  # records have come as late as that
    keeper.look()
    left = list(keeper.archive.trash.iterdir())
    assert len(left) == MOST_REMOVED, "those that were removed by this look"


def test_a_jump_is_an_alert_and_holds_summary_and_lateness(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, sqlite_url: str,
    jumping: Jumping, monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """Set a day back: records from tomorrow are taken, and flag nothing; then it is right."""
    from stream.service import schedule

    monkeypatch.setattr(schedule, "HEALTH_S", 1.0)
    now = until_now()
    with Inside(station(broker.source()), sqlite_url) as inside:
        inside.wait_for("broker connected")
        broker.publish(TOPIC, packs(part(now, slice(0, HALF))))
        inside.wait_for("settled")
        jumping.by_s = -86_400
        said = inside.wait_for("this computer's clock was set")
        assert said["by_s"] == pytest.approx(-86_400, abs=1)
        inside.wait_for("this computer's clock is in doubt")
        broker.publish(TOPIC, packs(part(now, slice(HALF, None))))
        expected = undisturbed(now)

        def same() -> bool:
            found = contents(sqlite_url)
            return all(found[k] == expected[k] for k in ("records", "quarantine", "unsettled"))

        inside.until(same)
        found = contents(sqlite_url)["closures"]
        assert isinstance(found, list)
        assert not any("clock_off" in str(row[-1]) for row in found)
        jumping.by_s = 0
        inside.wait_for("this computer's clock is believed again")
        assert not inside.events("thread ended")


# ── a record from another time


def strange(*times_us: int) -> Batch:
    """A row of the small stream, at other times."""
    row = part(BATCH, slice(300, 300 + len(times_us)))
    return replace(row, times=np.array(times_us, dtype=np.int64))


def test_live_a_record_ahead_of_its_arrival_changes_nothing(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, database_url: str,
    measured: Measured,
) -> None:  # fmt: skip
    """Twenty hours ahead and then 2099, as two that each made the next look possible."""
    now = time.time_ns() // 1000 // SECOND * SECOND
    early = strange(now + 20 * 3600 * SECOND, YEAR_2099)
    calm = until_now()
    with Inside(station(broker.source()), database_url) as inside:
        inside.wait_for("broker connected")
        broker.publish(TOPIC, packs(part(calm, slice(0, HALF))))
        broker.publish(TOPIC, packs(early, rows=1))
        broker.publish(TOPIC, packs(part(calm, slice(HALF, None))))
        expected = undisturbed(calm)

        def same() -> bool:
            found = contents(database_url)
            return {**found, "quarantine": []} == expected

        inside.until(same)
        quarantine = contents(database_url)["quarantine"]
        assert isinstance(quarantine, list)
        measured("records 20 h ahead and of 2099 in quarantine", f"{len(quarantine)} of 2")
        assert len(quarantine) == 2
        assert all("was ahead of this computer's clock" in reason for reason, _ in quarantine)


def test_a_logger_that_was_never_set(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, sqlite_url: str
) -> None:
    """Three records of 2001 make no gap, no closure and nothing doubtful."""
    past = strange(*(np.arange(3) * SECOND + 980_000_000 * SECOND).tolist())
    with Inside(station(broker.source()), sqlite_url) as inside:
        inside.wait_for("broker connected")
        broker.publish(TOPIC, packs(part(BATCH, slice(0, HALF))))
        broker.publish(TOPIC, packs(past))
        broker.publish(TOPIC, packs(part(BATCH, slice(HALF, None))))
        expected = undisturbed()
        inside.until(
            lambda: all(
                contents(sqlite_url)[k] == expected[k] for k in ("closures", "gaps", "fluxes")
            )
        )


def test_a_source_whose_clock_is_ahead_is_an_alert(
    broker: Mosquitto, station: MakeStation, sqlite_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    from stream.service import clock, schedule

    monkeypatch.setattr(clock, "_AGREE_FOR", 3)
    monkeypatch.setattr(schedule, "HEALTH_S", 1.0)
    alerts = '[alerts]\nrules = ["source_clock"]\nhold_min = 0.0'
    calm = until_now()
    ahead = until_now()
    ahead = replace(ahead, times=ahead.times + 3 * 3600 * SECOND)
    with Inside(station(broker.source(), alerts), sqlite_url) as inside:
        inside.wait_for("broker connected")
        for rows in np.array_split(np.arange(len(calm))[-240:], 8):
            # So many arrivals that agree confirm this computer's own clock.
            broker.publish(TOPIC, packs(part(calm, rows)))
            time.sleep(0.8)
        inside.wait_for("settled")
        broker.publish(TOPIC, packs(ahead))
        with closing(open_store(sqlite_url)) as store:
            incidents = Messages(store, "small")
            inside.until(lambda: incidents.incidents(open_only=True))
            (incident,) = incidents.incidents(open_only=True)
        assert "dated after their arrival" in incident.text
        records = contents(sqlite_url)["records"]
        assert isinstance(records, dict)
        assert max(records["n2o"][0]) == int(calm.times[-1]), "nothing that was ahead"


@pytest.mark.parametrize("behind_s", [1800, 6 * 3600])
def test_a_clock_that_is_behind_after_a_power_cut_refuses_nothing(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, sqlite_url: str,
    jumping: Jumping, tmp_path: Path, behind_s: int,
) -> None:  # fmt: skip
    """It goes on from where it stopped: good records seem to come from later. All of them are
    taken, but for some at most until it is doubted, and these once it is right.
    """
    now = until_now()
    log = write_log(now, tmp_path / "made.csv").read_text()
    jumping.by_s = -behind_s
    with Inside(station(), sqlite_url) as inside:
        (tmp_path / "incoming" / "made.csv").write_text(log)
        inside.wait_for("this computer's clock is in doubt")
        jumping.by_s = 0
        expected = undisturbed(now)["records"]
        inside.until(lambda: contents(sqlite_url)["records"] == expected)


CUTS = [1, 3, 60]


@pytest.mark.parametrize("pieces", CUTS)
@pytest.mark.parametrize(
    "stray_us", [20 * 3600 * SECOND + int(BATCH.times[-1]), YEAR_2099, 980_000_000 * SECOND]
)
def test_in_a_replay_a_record_from_another_time_stands_by_itself(
    station: MakeStation, undisturbed: Undisturbed, tmp_path: Path, database_url: str,
    stray_us: int, pieces: int,
) -> None:  # fmt: skip
    """However the files are cut, and whatever this computer's clock shows."""
    middle = len(BATCH) // 2
    log = write_log(BATCH, tmp_path / "whole.csv").read_text().splitlines(keepends=True)
    stray = write_log(strange(stray_us), tmp_path / "stray.csv").read_text().splitlines()[1]
    header, rows = log[0], [*log[1:middle], stray + "\n", *log[middle:]]
    files = []
    for i, some in enumerate(np.array_split(np.arange(len(rows)), pieces)):
        files.append(tmp_path / "logs" / f"log-{i:03}.csv")
        files[-1].parent.mkdir(exist_ok=True)
        files[-1].write_text(header + "".join(rows[j] for j in some))
    replay(load_station(station()), files, database_url)
    found, expected = contents(database_url), undisturbed()
    assert found["quarantine"] == expected["quarantine"]
    if abs(stray_us - int(BATCH.times[0])) > DAY:
        assert all(found[what] == expected[what] for what in RESULTS)
        return
    # It may be the first after an outage: the lid that was closed at the last record counts
    # as open since, and there are gaps up to then.
    ends = int(BATCH.times[-1]) - 900 * SECOND
    for what in ("closures", "fluxes"):
        assert [r for r in rows_of(found, what) if r[2] < ends] == [
            r for r in rows_of(expected, what) if r[2] < ends
        ]
    assert len(rows_of(found, "gaps")) < len(rows_of(expected, "gaps")) + 2 * 96


def rows_of(found: dict[str, object], what: str) -> list[Any]:
    rows = found[what]
    assert isinstance(rows, list)
    return rows


def test_the_year_2099_costs_neither_time_nor_memory(
    station: MakeStation, undisturbed: Undisturbed, tmp_path: Path, database_url: str,
    measured: Measured,
) -> None:  # fmt: skip
    """It made five million rows of gaps."""
    batch = tidy(
        "x", np.append(BATCH.times, YEAR_2099),
        {c: np.append(BATCH.values[:, j], BATCH.values[0, j])
         for j, c in enumerate(BATCH.channels)},
        np.arange(len(BATCH) + 1),
    )  # fmt: skip
    file = load_station(station())
    expected = rows_of(undisturbed(), "gaps")
    log = write_log(batch, tmp_path / "log.csv")
    held_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    replay(file, [log], database_url)
    more_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 - held_mb
    measured("memory for a record of 2099", f"{more_mb:.0f} MB")
    assert more_mb < 500
    with closing(open_store(database_url)) as store:
        gaps = stored(store, "gaps")["gaps"]
        measured("gap rows after a record of 2099", len(gaps) - len(expected))
        assert gaps == expected
        parts = join(file, store)
        assert parts.journal.newest() == int(BATCH.times[-1])
        assert [s.first_us for s in parts.journal.stretches().strays] == [YEAR_2099]
