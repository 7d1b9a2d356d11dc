"""Threads that die start again, threads that hang end the process, poison comes to an end."""

import contextlib
import threading
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import structlog
from broker import Mosquitto
from inside import Inside
from small import contents, own_line_stream, packs, station_text, write_log

from stream.compute.replay import replay
from stream.errors import StoreTaken
from stream.ingest.batches import Batch
from stream.ingest.broker.messages import Decoder, Message
from stream.ingest.intake import Intake
from stream.service import run, schedule
from stream.service.inbox import FEW, Inbox, Sent, Task
from stream.service.process.log import RateLimit
from stream.service.process.supervisor import Hung, Part, Supervisor
from stream.station import load_station
from stream.store.journal.archive import Archive
from stream.store.results.writer import Written

Work = Callable[[threading.Event, Callable[[], None]], None]
BATCH = own_line_stream(hours=0.4)


def supervised(work: Work, name: str = "part", limit_s: float = 5.0) -> tuple[Supervisor, list]:
    said: list[tuple[str, dict[str, object]]] = []
    it = Supervisor(lambda level, event, **details: said.append((event, details)))
    it.add(Part(name, work, limit_s, wait_s=0.05))
    return it, said


def test_a_thread_that_dies_starts_again() -> None:
    starts: list[float] = []

    def work(stop: threading.Event, beat: Callable[[], None]) -> None:
        starts.append(time.monotonic())
        if len(starts) < 3:
            raise ZeroDivisionError("as it happens")
        while not stop.wait(0.01):
            beat()

    it, said = supervised(work)
    until = time.monotonic() + 10
    while len(starts) < 3 and time.monotonic() < until:
        it.look()
        time.sleep(0.01)
    assert len(starts) == 3
    assert starts[2] - starts[1] > starts[1] - starts[0], "each time it waits longer"
    assert [e for e, _ in said] == ["thread ended"] * 2
    assert said[0][1]["error"] == "ZeroDivisionError: as it happens"
    assert it.parts[0].restarts == 2
    it.stop.set()
    assert it.join(5) == []


def test_a_thread_that_hangs_is_not_survived() -> None:
    release = threading.Event()
    it, _ = supervised(lambda stop, beat: release.wait() and None, limit_s=0.2)
    it.look()
    assert it.fresh()
    time.sleep(0.3)
    assert not it.fresh(), "the watchdog is not fed"
    with pytest.raises(Hung, match="part has not been heard of"):
        it.look()
    it.stop.set()
    assert it.join(0.1) == ["part"]
    release.set()


def test_what_a_restart_cannot_mend_goes_up() -> None:
    def work(stop: threading.Event, beat: Callable[[], None]) -> None:
        raise StoreTaken("somebody else")

    it, _ = supervised(work, "writer")
    it.join(5)
    with pytest.raises(StoreTaken):
        it.look()


def test_a_burst_is_gathered_and_a_single_message_does_not_wait_long() -> None:
    inbox = Inbox(linger_s=0.4)

    def put(count: int) -> None:
        for i in range(count):
            inbox.put(Sent(0, Message("t", b"", 0, 1, i)))

    put(FEW + 5)
    begun = time.monotonic()
    assert [s.message.number for s in inbox.gather(1.0)] == list(range(FEW + 5))
    assert time.monotonic() - begun < 0.2, "a burst is committed when it pauses"
    threading.Timer(0.1, put, [1]).start()
    begun = time.monotonic()
    assert len(inbox.gather(5.0)) == 1
    assert 0.4 < time.monotonic() - begun < 0.9, "a single message lingers for company"
    put(1)
    inbox.put(Task("now", lambda: None))
    begun = time.monotonic()
    assert len(inbox.gather(5.0)) == 2
    assert time.monotonic() - begun < 0.2, "what is urgent takes others along"
    assert inbox.gather(0.01) == []


def test_a_schedule_that_falls_silent_is_started_anew(
    tmp_path: Path, sqlite_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(schedule, "HEALTH_S", 0.3)
    monkeypatch.setattr(schedule, "_SILENT_S", 1.5)
    file = tmp_path / "station.toml"
    file.write_text(station_text())
    (tmp_path / "incoming").mkdir()
    made: list[object] = []
    make = schedule._scheduler

    def noted() -> object:
        made.append(make())
        return made[-1]

    monkeypatch.setattr(schedule, "_scheduler", noted)
    with Inside(file, sqlite_url) as inside:
        inside.wait_for("running")
        time.sleep(2.5)
        assert not inside.events("schedule silent; it is started anew")
        made[0].shutdown(wait=False)  # type: ignore[attr-defined]
        inside.wait_for("schedule silent; it is started anew")
        time.sleep(2.5)
        assert len(inside.events("schedule silent; it is started anew")) == 1
        assert len(made) == 2


@pytest.mark.parametrize("lasting_s", [1.0, 3.0])
def test_a_stop_waits_for_scheduled_work(
    tmp_path: Path, sqlite_url: str, monkeypatch: pytest.MonkeyPatch, lasting_s: float
) -> None:
    """Work that reads on after the database is closed would leave it open, its log beside it;
    work that does not end in time is named.
    """
    count = schedule.Schedule._count_flags
    begun, ended = threading.Event(), threading.Event()

    def slow(self: schedule.Schedule) -> Counter[tuple[str, str]]:
        begun.set()
        time.sleep(lasting_s)
        try:
            return count(self)
        finally:
            ended.set()

    monkeypatch.setattr(schedule.Schedule, "_count_flags", slow)
    monkeypatch.setattr(run, "STOP_S", 2.0)
    file = tmp_path / "station.toml"
    file.write_text(station_text())
    (tmp_path / "incoming").mkdir()
    with Inside(file, sqlite_url) as inside:
        inside.until(begun.is_set)
    (said,) = inside.events("stopped")
    if lasting_s < run.STOP_S:
        assert ended.is_set()
        assert said["threads_left"] == []
        assert not list(tmp_path.glob("test.db-*"))
    else:
        assert not ended.is_set()
        assert said["threads_left"] == ["schedule"]
        assert ended.wait(10)


def test_the_log_does_not_flood() -> None:
    limit = RateLimit(per_minute=3)
    passed = 0
    for _ in range(50):
        with contextlib.suppress(structlog.DropEvent):
            limit(None, "info", {"event": "same"})
            passed += 1
    assert passed == 3
    assert limit(None, "info", {"event": "other"}) == {"event": "other"}


@pytest.fixture
def broker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("LIDSTREAM_TEST_PASSWORD", Mosquitto.PASSWORD)
    mosquitto = Mosquitto(tmp_path / "broker").start()
    yield mosquitto
    mosquitto.stop()


def test_a_message_that_breaks_the_reading_comes_to_an_end(
    broker: Mosquitto, tmp_path: Path, sqlite_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fault of ours: the writer starts again, its neighbours are kept, it is in quarantine."""
    poison = b'[{"n":"n2o","t":1770000001,"v":6}]'
    batch_of = Decoder.batch

    def broken(self: Decoder, messages: list[Message]) -> Batch:
        if any(m.payload == poison for m in messages):
            raise IndexError("a fault of ours")
        return batch_of(self, messages)

    monkeypatch.setattr(Decoder, "batch", broken)
    expected = undisturbed(tmp_path)
    file = tmp_path / "station.toml"
    file.write_text(station_text(extra=f"{broker.source()}\n[archive]\nafter_days = 36500"))
    (tmp_path / "incoming").mkdir()
    with Inside(file, sqlite_url) as inside:
        inside.wait_for("broker connected")
        messages = packs(BATCH)
        broker.publish("small/records/a", [*messages[:9], poison, *messages[9:]])
        inside.wait_for("thread ended")
        inside.until(lambda: {**contents(sqlite_url), "quarantine": []} == expected)
        ((reason, text),) = contents(sqlite_url)["quarantine"]  # type: ignore[misc]
        assert reason == "cannot be taken: IndexError: a fault of ours"
        assert str(text).encode() == poison


def test_scheduled_work_that_breaks_holds_up_nothing(
    tmp_path: Path, sqlite_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The archive fails by a fault of ours, with records of a file behind it."""

    def broken(self: Archive) -> None:
        raise IndexError("a fault of ours")

    monkeypatch.setattr(Archive, "sweep", broken)
    expected = undisturbed(tmp_path)
    file = tmp_path / "station.toml"
    file.write_text(station_text())
    (tmp_path / "incoming").mkdir()
    with Inside(file, sqlite_url) as inside:
        inside.wait_for("thread ended")
        write_log(BATCH, tmp_path / "incoming" / "a.csv")
        said = inside.wait_for("scheduled work failed")
        assert said["error"] == "IndexError: a fault of ours"
        inside.until(lambda: contents(sqlite_url) == expected)
        assert len(inside.events("thread ended")) == 1


def test_a_piece_of_a_file_that_breaks_the_intake(
    tmp_path: Path, sqlite_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    take = Intake.take_all

    def broken(self: Intake, pieces: list[tuple[Batch, Any]]) -> Written:
        if any(batch.source == "b.csv" and len(batch) for batch, _ in pieces):
            raise IndexError("a fault of ours")
        return take(self, pieces)

    monkeypatch.setattr(Intake, "take_all", broken)
    expected = undisturbed(tmp_path)
    file = tmp_path / "station.toml"
    file.write_text(station_text(extra="[archive]\nafter_days = 36500"))
    write_log(BATCH, tmp_path / "incoming" / "a.csv")
    write_log(own_line_stream(seed=9, hours=0.1), tmp_path / "incoming" / "b.csv")
    with Inside(file, sqlite_url) as inside:
        inside.wait_for("thread ended")
        inside.until(lambda: contents(sqlite_url)["quarantine"])
        inside.until(lambda: {**contents(sqlite_url), "quarantine": []} == expected)
        ((reason, _),) = contents(sqlite_url)["quarantine"]  # type: ignore[misc]
        assert "this piece of the file cannot be taken: IndexError" in str(reason)


def undisturbed(tmp_path: Path) -> dict[str, object]:
    calm = tmp_path / "calm.toml"
    calm.write_text(station_text())
    url = f"sqlite:///{tmp_path / 'calm.db'}"
    replay(load_station(calm), [write_log(BATCH, tmp_path / "calm" / "made.csv")], url)
    return contents(url)
