"""A clock that is set back, an hour that is written twice: found, kept, flagged."""

from collections.abc import Callable
from contextlib import closing
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from small import own_line_stream, part, stored, write_log

from stream.compute.replay import join, replay
from stream.ingest.batches import Batch, tidy
from stream.ingest.files.folder import FolderWatch
from stream.ingest.files.position import Position
from stream.station import FolderSource, StationFile, load_station
from stream.store import open_store
from stream.store.results.readers import Reader
from stream.times import DAY, SECOND

Make = Callable[..., StationFile]


def set_back(batch: Batch, row: int, shift_s: float) -> Batch:
    """The batch in the order of its lines, the clock set back before one of them."""
    times = batch.times.copy()
    times[row:] -= round(shift_s * SECOND)
    return Batch(batch.source, batch.channels, times, batch.values, batch.lines)


def flagged(url: str, flag: str) -> list[tuple[str, int]]:
    with closing(open_store(url)) as store:
        return [
            (r["chamber"], r["closed_us"])
            for r in Reader(store, "small").closures()
            if flag in r["flags"].split()
        ]


def events(url: str) -> list[tuple[object, ...]]:
    with closing(open_store(url)) as store:
        return [row[1:] for row in stored(store, "clock_events")["clock_events"]]


@pytest.mark.parametrize(("shift_s", "kinds"), [(5.0, {"set_back"}), (6.0, {"written_twice"})])
def test_set_back_by_seconds(
    make_station: Make, sqlite_url: str, tmp_path: Path, shift_s: float, kinds: set[str]
) -> None:
    """Between the old times (5 s at a record every 2 s) or on them: the closure is flagged."""
    batch = own_line_stream()
    row = 560  # lid 1 is closed
    moment = int(batch.times[row])
    log = write_log(set_back(batch, row, shift_s), tmp_path / "log.csv")
    replay(make_station(), [log], sqlite_url)
    found = events(sqlite_url)
    assert {e[0] for e in found} == kinds
    assert {e[1] for e in found} == {"log.csv"}
    minutes = {int(str(e[2])) for e in found}
    assert all(moment - 70 * SECOND <= m <= moment for m in minutes)
    ((chamber, closed),) = flagged(sqlite_url, "clock_unsteady")
    assert chamber == "C1"
    assert closed <= moment <= closed + 400 * SECOND
    if kinds == {"set_back"}:
        # The first such line stands 3 s behind the last good one, 2 s before it.
        assert {e[4] for e in found} == {3.0}


def test_set_back_by_a_day(make_station: Make, sqlite_url: str, tmp_path: Path) -> None:
    """What was written on the wrong day is kept there and flagged there; the rest is good."""
    batch = own_line_stream(hours=3.0)
    times = batch.times.copy()
    times[2700:4000] -= DAY
    log = write_log(
        Batch("x", batch.channels, times, batch.values, batch.lines), tmp_path / "l.csv"
    )
    replay(make_station(), [log], sqlite_url)
    wrong = flagged(sqlite_url, "clock_unsteady")
    assert len(wrong) == 7, "three of C1, two of C2 and two that the change of days cuts"
    assert all(closed < int(batch.times[0]) for _, closed in wrong)
    assert {e[0] for e in events(sqlite_url)} == {"set_back"}
    with closing(open_store(sqlite_url)) as store:
        assert len(list(Reader(store, "small").closures())) > 20
        assert not stored(store, "quarantine")["quarantine"]


def test_cut_anywhere_the_doubts_are_the_same(
    make_station: Make, sqlite_url: str, tmp_path: Path
) -> None:
    """Taken by the folder a few lines at a time, with restarts, as by one replay."""
    file = make_station()
    batch = own_line_stream(hours=1.0)
    twice = part(batch, slice(0, 1800))
    text = write_log(set_back(twice, 560, 5.0), tmp_path / "log.csv").read_bytes()
    text += b"\n".join(text.splitlines()[900:1000]) + b"\n"
    whole = sqlite_url.replace("test.db", "whole.db")
    (tmp_path / "log.csv").write_bytes(text)
    replay(file, [tmp_path / "log.csv"], whole)
    folder = file.beside("incoming")
    folder.mkdir()
    source = FolderSource(kind="folder", path="incoming")
    for at in range(0, len(text) + 7001, 7001):
        (folder / "log.csv").write_bytes(text[:at])
        with closing(open_store(sqlite_url)) as store:
            parts = join(file, store)
            known = [Position(**row) for row in Reader(store, "small").positions()]
            for piece, position in FolderWatch(file.station, source, folder, known).poll():
                assert position is not None
                parts.intake.take(piece, [asdict(position)])
            parts.settlement.settle()
    assert events(sqlite_url) == events(whole) != []
    assert flagged(sqlite_url, "clock_unsteady") == flagged(whole, "clock_unsteady")


def test_lines_that_a_logger_repeats_cast_no_doubt(
    make_station: Make, sqlite_url: str, tmp_path: Path
) -> None:
    log = write_log(own_line_stream(), tmp_path / "log.csv")
    lines = log.read_text().splitlines(keepends=True)
    log.write_text("".join([*lines[:800], *lines[300:600], *lines[800:]]))
    replay(make_station(), [log], sqlite_url)
    assert events(sqlite_url) == []
    assert flagged(sqlite_url, "clock_unsteady") == []


def test_the_hour_that_summer_time_repeats(
    make_station: Make, sqlite_url: str, tmp_path: Path
) -> None:
    """Sydney went back at 03:00 on 5 April 2026 (IANA time zone database): 02:00 to 03:00 local
    came twice. Both runs are told apart, and both are flagged.
    """
    file = make_station()
    file.path.write_text(
        file.path.read_text().replace('clock = "+10:00"', 'clock = "Australia/Sydney"')
    )
    batch = own_line_stream(hours=5.0)
    first = datetime(2026, 4, 4, 14, 0, tzinfo=UTC)  # 01:00 at summer time
    shift = round(first.timestamp()) * SECOND - int(batch.times[0])
    columns = {c: batch.values[:, j] for j, c in enumerate(batch.channels)}
    utc = batch.times + shift
    zone_shift = np.where(utc < round(first.timestamp() + 7200) * SECOND, 11, 10)
    local = tidy("x", utc, columns, batch.lines)
    log = write_log(local, tmp_path / "log.csv")
    lines = log.read_text().splitlines()
    moved = [lines[0]]
    for line, hours, when in zip(lines[1:], zone_shift, utc, strict=True):
        clock = datetime.fromtimestamp(when / SECOND, UTC) + timedelta(hours=int(hours))
        moved.append(clock.strftime("%Y-%m-%d %H:%M:%S") + line[line.index(",") :])
    log.write_text("\n".join(moved) + "\n")
    replay(load_station(file.path), [log], sqlite_url)
    with closing(open_store(sqlite_url)) as store:
        closures = list(Reader(store, "small").closures())
        assert not stored(store, "quarantine")["quarantine"]
    # As in the stream before it was moved: nothing is doubled, nothing is lost.
    assert len([c for c in closures if c["revision"]]) == 5 * 8 - 1
    twice = (first + timedelta(hours=1), first + timedelta(hours=3))
    for c in closures:
        inside = (
            c["opened_us"] >= twice[0].timestamp() * SECOND
            and c["closed_us"] < twice[1].timestamp() * SECOND
        )
        assert ("clock_unsteady" in c["flags"]) == inside, c
    assert {e[0] for e in events(sqlite_url)} == {"repeated_hour"}
