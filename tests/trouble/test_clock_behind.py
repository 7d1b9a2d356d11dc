"""Records by MQTT that this computer refused while its clock was behind are taken after all."""

import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from broker import Mosquitto
from inside import Inside
from small import contents, own_line_stream, packs, part, stored

from stream.ingest.batches import Batch
from stream.service import clock as computer_clock
from stream.store import open_store
from stream.times import SECOND

TOPIC = "small/records/a"
BATCH = own_line_stream(hours=0.6)
HOUR_S = 3600
FEW = 15
"""Rows that come while the clock is behind: too few for it to be doubted."""
MakeStation = Callable[..., Path]
Undisturbed = Callable[..., dict[str, object]]


class Behind:
    """This computer's clock, that a test may set."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        wall, wall_ns = time.time, time.time_ns
        self.by_s = 0
        monkeypatch.setattr(time, "time", lambda: wall() + self.by_s)
        monkeypatch.setattr(time, "time_ns", lambda: wall_ns() + self.by_s * 10**9)
        # So few arrivals confirm it here.
        monkeypatch.setattr(computer_clock, "_AGREE_FOR", 3)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Iterator[Behind]:
    found = Behind(monkeypatch)
    yield found
    found.by_s = 0


def until_now() -> Batch:
    """The small stream, moved so that it ends now."""
    shift = round(time.time()) - int(BATCH.times[-1]) // SECOND
    return replace(BATCH, times=BATCH.times + shift * SECOND)


def send(broker: Mosquitto, batch: Batch, pieces: int = 1) -> None:
    """So many arrivals, one after the other."""
    for rows in np.array_split(np.arange(len(batch)), pieces):
        broker.publish(TOPIC, packs(part(batch, rows)))
        time.sleep(0.7 if pieces > 1 else 0.0)


def quarantined(url: str) -> int:
    with closing(open_store(url)) as store:
        return len(stored(store, "quarantine")["quarantine"])


def waiting(url: str) -> int:
    with closing(open_store(url)) as store:
        return len(stored(store, "early")["early"])


@pytest.mark.parametrize("behind_s", [3000, 6 * HOUR_S])
def test_when_it_is_put_right(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, database_url: str,
    clock: Behind, behind_s: int,
) -> None:  # fmt: skip
    """Too few records came meanwhile to tell that it was wrong; among them one of next year,
    which is left where it is.
    """
    now = until_now()
    stray = part(now, slice(0, 1))
    stray = replace(stray, times=stray.times + 300 * 86_400 * SECOND)
    clock.by_s = -behind_s
    with Inside(station(broker.source()), database_url) as inside:
        inside.wait_for("broker connected")
        send(broker, part(now, slice(0, FEW)))
        send(broker, stray)
        inside.until(lambda: quarantined(database_url) == FEW + 1)
        clock.by_s = 0
        inside.wait_for("this computer's clock was set")
        send(broker, part(now, slice(FEW, None)), pieces=6)
        inside.wait_for("records taken that a clock behind had refused")
        expected = undisturbed(now)
        inside.until(lambda: {**contents(database_url), "quarantine": []} == expected)
        assert quarantined(database_url) == 1
        assert not inside.events("thread ended")


def test_when_it_is_doubted(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, sqlite_url: str,
    clock: Behind,
) -> None:  # fmt: skip
    """From then on records are taken as they are; so are those that brought the doubt."""
    now = until_now()
    clock.by_s = -6 * HOUR_S
    with Inside(station(broker.source()), sqlite_url) as inside:
        inside.wait_for("broker connected")
        send(broker, part(now, slice(0, FEW)))
        inside.until(lambda: quarantined(sqlite_url) == FEW)
        send(broker, part(now, slice(FEW, None)))
        inside.wait_for("this computer's clock is in doubt")
        expected = undisturbed(now)
        inside.until(lambda: contents(sqlite_url) == expected)


def test_when_a_person_says_so(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, sqlite_url: str,
    clock: Behind,
) -> None:  # fmt: skip
    """The computer was started anew with its clock put right, so that nobody saw it move; a
    kill between two steps of the taking leaves nothing half done.
    """
    now = until_now()
    clock.by_s = -6 * HOUR_S
    file = station(broker.source())
    with Inside(file, sqlite_url) as inside:
        inside.wait_for("broker connected")
        send(broker, part(now, slice(0, FEW)))
        inside.until(lambda: quarantined(sqlite_url) == FEW)
    clock.by_s = 0
    with Inside(file, sqlite_url) as inside:
        inside.wait_for("broker connected")
        send(broker, part(now, slice(FEW, None)), pieces=6)
        inside.wait_for("settled")
    assert waiting(sqlite_url) == FEW, "nothing shows yet that it was the clock"
    with Inside(file, sqlite_url, clock_is_right=True) as inside:
        inside.wait_for("records taken that a clock behind had refused")
        expected = undisturbed(now)
        inside.until(lambda: contents(sqlite_url) == expected)
    assert waiting(sqlite_url) == 0


@pytest.mark.parametrize("jump_s", [0, 40 * 86_400])
def test_a_logger_that_is_ahead_is_not_taken_for_a_clock_that_is_behind(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, sqlite_url: str,
    clock: Behind, jump_s: int,
) -> None:  # fmt: skip
    """Neither once records have confirmed the clock, nor by a jump that was itself wrong."""
    now = until_now()
    ahead = part(now, slice(0, FEW))
    ahead = replace(ahead, times=ahead.times + 20 * HOUR_S * SECOND)
    with Inside(station(broker.source()), sqlite_url) as inside:
        inside.wait_for("broker connected")
        send(broker, ahead)
        inside.until(lambda: waiting(sqlite_url) == FEW)
        clock.by_s = jump_s
        if jump_s:
            inside.wait_for("this computer's clock was set")
        send(broker, now, pieces=6)
        expected = undisturbed(now)
        inside.until(lambda: {**contents(sqlite_url), "quarantine": []} == expected)
        inside.until(lambda: jump_s or waiting(sqlite_url) == 0)
        clock.by_s = 0
        if jump_s:
            inside.wait_for("this computer's clock was set", count=2)
            send(broker, part(now, slice(-9, None)), pieces=6)
        assert not inside.events("records taken that a clock behind had refused")
    assert quarantined(sqlite_url) == FEW
