"""A bit turned over in what is text, files that vanish, and a second service: each is noticed."""

import json
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from broker import Mosquitto
from inside import Inside
from running import Running, wait
from small import contents, own_line_stream, packs, write_log

from stream.compute.replay import replay
from stream.errors import StoreDamaged, StoreError, StoreTaken
from stream.ingest.broker.messages import Message as Sent
from stream.service.clock import ComputerClock
from stream.service.spool import Spool
from stream.station import load_station
from stream.store import WriterLock, open_store
from stream.store.journal.archive import Archive
from stream.store.journal.journal import Journal
from stream.store.journal.scrub import Scrub
from stream.store.messages import Message, Messages
from stream.store.station_data import Marks
from stream.times import DAY

BATCH = own_line_stream(hours=0.6)
MakeStation = Callable[..., Path]
Undisturbed = Callable[..., dict[str, object]]


def change(database: Path, statement: str, *values: object) -> None:
    """As a disk does: what stands there is no longer what was written."""
    with closing(sqlite3.connect(database)) as connection:
        connection.execute(statement, values)
        connection.commit()


def quiet(*_: object, **__: object) -> None:
    pass


@pytest.mark.parametrize("value", ["17959\x7f7", "", "1e5", "[-1", '{"a": 1}', "[null, null]"])
def test_marks_that_cannot_be_read_are_begun_anew(sqlite_url: str, value: str) -> None:
    with closing(open_store(sqlite_url)) as store:
        marks = Marks(store, "small")
        marks.put("last look", value)
        marks.put("scrubbed up to", value)
        ComputerClock(marks, quiet).keep()
        assert Scrub(store, "small", Path("/nowhere")).look(5.0)


def test_a_message_that_cannot_be_read_costs_itself(sqlite_url: str, tmp_path: Path) -> None:
    with closing(open_store(sqlite_url)) as store:
        messages = Messages(store, "small")
        messages.put([Message(n, "mail", {"subject": n}) for n in ("a", "b")], 1)
        change(tmp_path / "test.db", "UPDATE messages SET content = '{\"' WHERE name = 'a'")
        assert [m.name for m in messages.due(10, "mail")] == ["b"]


def test_text_that_is_none_any_more_is_damage_and_not_absence(
    station: MakeStation, undisturbed: Undisturbed, tmp_path: Path, sqlite_url: str
) -> None:
    """The file is set aside, as any damaged one, and the folders bring all again."""
    file = station()
    write_log(BATCH, tmp_path / "incoming" / "made.csv")
    with Inside(file, sqlite_url) as inside:
        inside.until(lambda: contents(sqlite_url) == undisturbed())
    change(
        tmp_path / "test.db",
        "UPDATE journal_channels SET channel = CAST(X'eEB26f' AS TEXT) WHERE channel = 'n2o'",
    )
    with Running(file, sqlite_url) as running:
        assert running.process.wait(120) == 1
        assert "Traceback" not in "".join(running.raw)
    with Running(file, sqlite_url) as running:
        wait(lambda: contents(sqlite_url) == undisturbed(), 60, running.raw)
        running.stop()
    assert list(tmp_path.glob("test.db.damaged-*"))


def test_a_database_that_is_deleted_while_it_is_written(sqlite_url: str, tmp_path: Path) -> None:
    with closing(open_store(sqlite_url)) as store, WriterLock(store, "small") as lock:
        lock.renew()
        (tmp_path / "test.db").unlink()
        with pytest.raises(StoreDamaged, match="deleted, or replaced"):
            lock.renew()


def test_an_archive_that_is_away_is_not_taken_for_an_empty_one(
    station: MakeStation, tmp_path: Path, sqlite_url: str
) -> None:
    """Its disk is not there: nothing is moved, removed or set aside, and it is said."""
    loaded = load_station(station())
    replay(loaded, [write_log(BATCH, tmp_path / "made.csv")], sqlite_url)
    with closing(open_store(sqlite_url)) as store:
        archive = Archive(store, "small", loaded.archive)
        day = int(BATCH.times[0]) // DAY * DAY
        assert archive.keep(day + DAY) == 1
        loaded.archive.rename(tmp_path / "unmounted")
        loaded.archive.mkdir()
        for work in (
            lambda: archive.keep(2**62),
            lambda: archive.remove(2**62, 7),
            lambda: Scrub(store, "small", loaded.archive).look(5.0),
        ):
            with pytest.raises(StoreError, match="the archive is away"):
                work()
        assert Journal(store, "small", loaded.archive).set_aside() == []
        loaded.archive.rmdir()
        (tmp_path / "unmounted").rename(loaded.archive)
        assert Scrub(store, "small", loaded.archive).look(5.0) in {True, False}


def test_a_second_service_takes_nothing_from_the_first(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, tmp_path: Path,
    sqlite_url: str,
) -> None:  # fmt: skip
    """Neither by another database, nor by one that is not there: it would wait, and take
    messages meanwhile.
    """
    file = station(broker.source())
    with Inside(file, sqlite_url) as inside:
        inside.wait_for("broker connected")
        with Running(file, f"sqlite:///{tmp_path / 'nowhere' / 'x.db'}") as second:
            assert second.process.wait(30) == 1
            assert "another lidstream runs for this station file" in second.raw[-1]
        broker.publish("small/records/a", packs(BATCH))
        inside.until(lambda: contents(sqlite_url) == undisturbed())
        assert len(inside.events("broker connected")) == 1
        assert Spool.of(load_station(file)).is_empty


def test_after_a_kill_the_next_service_starts(station: MakeStation, sqlite_url: str) -> None:
    file = station()
    with Running(file, sqlite_url) as first:
        first.wait_for("running")
        first.kill()
    with Running(file, sqlite_url) as second:
        second.wait_for("running")
        time.sleep(0.5)
        second.stop()


@pytest.mark.parametrize("bit", range(0, 1200, 7))
def test_a_bit_in_the_spool_is_noticed(tmp_path: Path, bit: int) -> None:
    """Nothing else is taken for what was written, and the file is kept."""
    spool = Spool(tmp_path / "s")
    sent = [Sent("a/b", json.dumps({"n": i}).encode(), 5 + i) for i in range(2)]
    spool.keep("x", sent)
    whole = bytearray(spool.path.read_bytes())
    whole[bit // 8 % len(whole)] ^= 1 << bit % 8
    spool.path.write_bytes(bytes(whole))
    got = [m for name, group in spool.groups() for m in group if name == "x"]
    assert [m for m in got if m not in sent] == []
    if len(got) < 2:
        assert spool.damaged
        spool.clear()
        assert (tmp_path / "s.damaged").exists()


def test_two_locks_of_one_process(sqlite_url: str) -> None:
    with (
        closing(open_store(sqlite_url)) as store,
        WriterLock(store, "small"),
        pytest.raises(StoreTaken),
    ):
        WriterLock(store, "small")
