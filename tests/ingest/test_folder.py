"""A watched folder, with everything that loggers and copying programs do to files."""

import gzip
import os
import random
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from small import own_line_stream, stored, write_log
from watched import Make, OpenParts, Station

from stream.errors import SourceLost
from stream.ingest.delimited import reading
from stream.ingest.files import folder as folder_module
from stream.station import load_station


@pytest.fixture
def station(make_station: Make, open_parts: OpenParts, sqlite_url: str) -> Station:
    return Station(make_station(), open_parts, sqlite_url)


BATCH = own_line_stream(hours=0.5)


@pytest.fixture
def content(tmp_path: Path) -> bytes:
    return write_log(BATCH, tmp_path / "made.csv").read_bytes()


def everything(batch=BATCH) -> dict[str, list[tuple[int, float]]]:
    found = {}
    for j, channel in enumerate(batch.channels):
        there = ~np.isnan(batch.values[:, j])
        found[channel] = list(
            zip(batch.times[there].tolist(), batch.values[there, j].tolist(), strict=True)
        )
    return found


def test_a_growing_file_is_taken_by_whole_lines(station: Station, content: bytes) -> None:
    log = station.folder / "log.csv"
    rng = random.Random(1)
    at = 0
    with log.open("ab", buffering=0) as out:
        while at < len(content):
            size = rng.choice([1, 7, 50, 300, 5000])
            out.write(content[at : at + size])
            at += size
            station.poll()
            assert not station.quarantine()
            if rng.random() < 0.05:
                station.start()
    assert station.records() == everything()
    assert station.poll() == 0


def test_line_numbers_go_on_after_a_restart(station: Station, content: bytes) -> None:
    log = station.folder / "log.csv"
    cut = content.index(b"\n", 3000) + 1
    log.write_bytes(content[:cut])
    station.poll()
    station.start()
    with log.open("ab") as out:
        out.write(b"rubbish\n" + content[cut:])
    station.poll()
    ((_, _, source, line, reason, text),) = station.quarantine()
    assert (source, line, text) == ("log.csv", content[:cut].count(b"\n") + 1, "rubbish")
    assert reason == "'rubbish' is not a time"
    assert station.records() == everything()


def test_nothing_is_read_twice_without_need(
    station: Station, content: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A rotated log goes on under its new name; the new log of the old name is read."""
    reads: list[int] = []
    read_block = reading.DelimitedReader.read_block

    def counted(self: reading.DelimitedReader, block: bytes):
        reads.append(len(block))
        return read_block(self, block)

    monkeypatch.setattr(reading.DelimitedReader, "read_block", counted)
    header, lines = content.split(b"\n", 1)
    cut = lines.index(b"\n", len(lines) // 2) + 1
    log = station.folder / "log.csv"
    log.write_bytes(header + b"\n" + lines[:cut])
    station.poll()
    log.rename(station.folder / "log.csv.1")
    log.write_bytes(header + b"\n" + lines[cut:])
    station.start()
    station.poll()
    station.poll()
    assert station.records() == everything()
    assert sum(reads) == len(content) + len(header) + 1


def test_truncated_and_written_anew(station: Station, content: bytes) -> None:
    """Also where the new content has grown past the old position before anybody looked."""
    header, lines = content.split(b"\n", 1)
    cut = lines.index(b"\n", len(lines) // 4) + 1
    log = station.folder / "log.csv"
    log.write_bytes(header + b"\n" + lines[:cut])
    station.poll()
    inode = log.stat().st_ino
    with log.open("r+b") as out:
        out.truncate()
        out.write(header + b"\n" + lines[cut:])
    assert log.stat().st_ino == inode
    assert log.stat().st_size > len(header) + 1 + cut
    station.poll()
    assert station.records() == everything()


def test_written_anew_with_the_same_beginning(station: Station, content: bytes) -> None:
    """Its first lines are the old ones; what stands before the old position is new."""
    lines = content.splitlines(keepends=True)
    log = station.folder / "log.csv"
    log.write_bytes(b"".join([*lines[:300], *lines[500:600]]))
    station.poll()
    log.write_bytes(b"".join([*lines[:500], *lines[600:]]))
    station.poll()
    assert station.records() == everything()


def test_copied_again_and_late_files_bring_nothing_twice(station: Station, content: bytes) -> None:
    header, lines = content.split(b"\n", 1)
    cut = lines.index(b"\n", len(lines) // 2) + 1
    late = station.folder / "log-b.csv"
    late.write_bytes(header + b"\n" + lines[cut:])
    station.poll()
    (station.folder / "log-a.csv").write_bytes(header + b"\n" + lines[:cut])
    shutil.copy(late, station.folder / "log-c.csv")
    station.poll()
    later = os.stat(late).st_mtime + 60
    os.utime(late, (later, later))
    assert station.poll() == 0, "a new date alone is no new content"
    late.write_bytes(late.read_bytes())
    station.poll()
    assert station.records() == everything()
    assert station.quarantine() == []


@pytest.mark.parametrize("ending", [".gz", ".zst"])
def test_compressed_files_are_taken_once_they_are_whole(
    station: Station, content: bytes, ending: str
) -> None:
    if ending == ".gz":
        packed = gzip.compress(content)
    else:
        packed = pa.Codec("zstd").compress(content, asbytes=True)
    log = station.folder / f"log.csv{ending}"
    log.write_bytes(packed[: len(packed) // 2])
    station.poll()
    log.write_bytes(packed)
    assert station.poll() == 0, "it changed since the last look"
    assert station.poll() >= 1
    assert station.records() == everything()
    assert station.quarantine() == []
    station.start()
    assert station.poll() == 0
    assert station.poll() == 0


def test_a_compressed_file_that_breaks_off_is_said_and_mended(
    station: Station, content: bytes
) -> None:
    packed = gzip.compress(content)
    log = station.folder / "log.csv.gz"
    log.write_bytes(packed[: len(packed) * 2 // 3])
    station.poll()
    station.poll()
    assert 0 < len(station.records()["n2o"]) < len(BATCH)
    assert any("breaks off" in str(row) for row in station.quarantine())
    log.write_bytes(packed)
    station.poll()
    station.poll()
    assert station.records() == everything()


def test_packs_a_line(station: Station) -> None:
    """SenML (RFC 8428), one pack a line, growing."""
    log = station.folder / "log.json"
    packs = [
        '[{"n":"n2o","v":%r,"t":%d}]\n' % (float(i), 1_770_000_000 + i)  # noqa: UP031
        for i in range(20)
    ]
    log.write_text("".join(packs[:10]) + packs[10][:12])
    station.poll()
    assert len(station.records()["n2o"]) == 10
    station.start()
    with log.open("a") as out:
        out.write(packs[10][12:] + "{not json\n" + "".join(packs[11:]))
    station.poll()
    assert [v for _, v in station.records()["n2o"]] == [float(i) for i in range(20)]
    ((_, _, _, line, reason, _),) = station.quarantine()
    assert line == 12
    assert "not JSON" in str(reason)


def test_one_document_is_taken_when_it_is_whole(station: Station) -> None:
    log = station.folder / "log.json"
    text = '[\n{"bn":"n2o","bt":1770000000},\n{"v":1},\n{"v":2,"t":1}\n]\n'
    log.write_text(text[:20])
    station.poll()
    log.write_text(text)
    station.poll()
    station.poll()
    assert [v for _, v in station.records()["n2o"]] == [1.0, 2.0]


def test_a_file_that_cannot_be_taken_is_said_once(station: Station) -> None:
    (station.folder / "log-picture.csv").write_bytes(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" * 40)
    (station.folder / "log-other.csv").write_text("when;what\n1;2\n")
    (station.folder / "log-empty.csv").write_text("")
    station.poll()
    assert len(station.quarantine()) < 2, "what is being written is given the time of one look"
    station.poll()
    station.start()
    assert station.poll() == 0
    reasons = sorted(str(row[4]) for row in station.quarantine())
    assert len(reasons) == 2
    assert "no column of times" in reasons[0] + reasons[1]
    (station.folder / "log-other.csv").write_text("time,n2o\n1770000000,2\n")
    station.poll()
    assert station.records() == {"n2o": [(1_770_000_000_000_000, 2.0)]}


def test_a_last_line_without_end_is_said_in_the_end(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = station.folder / "log.csv"
    log.write_text("time,n2o\n1770000000,1\n1770000001,2")
    station.poll()
    station.poll()
    assert station.quarantine() == []
    old = log.stat().st_mtime - folder_module.STALE_S - 1
    os.utime(log, (old, old))
    station.poll()
    station.poll()
    ((_, _, _, line, reason, text),) = station.quarantine()
    assert (line, text) == (3, "1770000001,2")
    assert "no line end" in str(reason)
    with log.open("a") as out:
        out.write("\n")
    station.poll()
    assert [v for _, v in station.records()["n2o"]] == [1.0, 2.0]


def test_a_folder_that_is_gone(station: Station) -> None:
    station.folder.rmdir()
    with pytest.raises(SourceLost, match="incoming: the folder cannot be read"):
        station.poll()


@pytest.mark.parametrize("seed", range(8))
def test_whatever_happens_to_files_every_record_comes_once(
    station: Station, content: bytes, seed: int
) -> None:
    """A random season of a logger: growth in pieces, rotation, renaming, truncation, copies,
    packing, power failures between records and after them.
    """
    rng = random.Random(seed)
    header, *rows = content.splitlines(keepends=True)
    log = station.folder / "log.csv"
    log.write_bytes(header)
    at = names = 0
    rest = b""
    while at < len(rows) or rest:
        number = rng.randint(1, 90)
        grown = rest + b"".join(rows[at : at + number])
        at += number
        cut = rng.randint(0, len(grown)) if at < len(rows) and rng.random() < 0.5 else len(grown)
        rest = grown[cut:]
        with log.open("ab") as out:
            out.write(grown[:cut])
        if rng.random() < 0.7:
            station.poll(rng.choice([0, 1, 100]))
        if rng.random() < 0.3:
            station.start()
        if not rest and rng.random() < 0.4:
            names += 1
            other = station.folder / f"log{names}.csv"
            what = rng.choice(["rotate", "copy and truncate", "pack", "copy"])
            if what == "rotate":
                log.rename(other)
                log.write_bytes(header)
            elif what == "pack":
                other.with_suffix(".csv.gz").write_bytes(gzip.compress(log.read_bytes()))
                log.unlink()
                log.write_bytes(header)
            else:
                shutil.copy(log, other)
                if what == "copy and truncate":
                    with log.open("r+b") as out:
                        out.truncate(len(header))
    for _ in range(3):
        station.poll()
    assert station.records() == everything()
    assert station.quarantine() == []
    assert stored(station.store, "clock_events")["clock_events"] == []


def test_what_is_waiting(station: Station, content: bytes) -> None:
    (station.folder / "log.csv").write_bytes(content + b"1770")
    station.poll(0)
    assert station.watch.waiting_bytes == len(content) + 4
    station.poll()
    assert station.watch.waiting_bytes == 4


def dotted(first: int, count: int, day: str = "03.04.2026") -> str:
    """Lines of a day that may be in March or in April."""
    return "".join(
        f"{day} {i // 3600:02d}:{i // 60 % 60:02d}:{i % 60:02d};{331 + i},5\n"
        for i in range(first, first + count)
    )


def test_a_file_waits_for_its_dates_and_others_do_not(station: Station) -> None:
    """Nothing of it is taken, whatever it is cut into; a midnight settles it, and the files
    after it, also after a restart; one that is written the other way is held up.
    """
    log = station.folder / "log.csv"
    log.write_text("time;n2o\n" + dotted(0, 50))
    (station.folder / "log-other.csv").write_text("time,h2o\n1770000000,12\n")
    for _ in range(3):
        station.poll()
    assert station.records() == {"h2o": [(1_770_000_000_000_000, 12.0)]}
    (asked,) = station.quarantine()
    assert "date_order" in str(asked[4])
    station.start()
    with log.open("a") as out:
        out.write(dotted(86_390, 10) + dotted(0, 5, "04.04.2026"))
    station.poll()
    assert len(station.records()["n2o"]) == 65
    start = 1_775_217_600 - 12 * 3600 - station.utc_offset_s
    assert station.records()["n2o"][0] == (start * 1_000_000, 331.5)
    station.start()
    (station.folder / "log-later.csv").write_text("time;n2o\n" + dotted(0, 5, "05.04.2026"))
    (station.folder / "log-wrong.csv").write_text("time;n2o\n" + dotted(0, 5, "04.17.2026"))
    station.poll()
    assert len(station.records()["n2o"]) == 70
    assert any("do not fit the order dmy" in str(row[4]) for row in station.quarantine())


def test_a_file_waits_where_its_dates_begin_to_be_written_otherwise(station: Station) -> None:
    """What stands before is taken, nothing behind is refused, and all of it comes once the
    order is settled.
    """
    log = station.folder / "log.csv"
    plain = "".join(f"2026-02-01 23:59:{i:02d};{331 + i},5\n" for i in range(9))
    log.write_text("time;n2o\n" + plain)
    station.poll()
    with log.open("a") as out:
        out.write(dotted(0, 50))
    for _ in range(3):
        station.poll()
    assert len(station.records()["n2o"]) == 9
    (asked,) = station.quarantine()
    assert "date_order" in str(asked[4])
    station.start()
    with log.open("a") as out:
        out.write(dotted(86_390, 10) + dotted(0, 5, "04.04.2026"))
    station.poll()
    assert len(station.records()["n2o"]) == 9 + 65
    assert len(station.quarantine()) == 1


def test_a_growing_file_of_dates_is_not_read_again_and_again(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once its order is settled, only what is new is looked at."""
    log = station.folder / "log.csv"
    log.write_text("time;n2o\n" + dotted(0, 5, "17.04.2026"))
    station.poll()
    read = reading.DelimitedReader.rows
    seen = 0

    def counted(self: reading.DelimitedReader, block: bytes):
        nonlocal seen
        seen += len(block)
        return read(self, block)

    monkeypatch.setattr(reading.DelimitedReader, "rows", counted)
    for i in range(5, 25):
        with log.open("a") as out:
            out.write(dotted(i, 1, "17.04.2026"))
        station.poll()
    assert len(station.records()["n2o"]) == 25
    assert seen == 20 * len(dotted(9, 1))


def test_a_channel_that_is_added_later_is_read_from_there_on(station: Station) -> None:
    log = station.folder / "log.csv"
    log.write_text("time,n2o,spare\n1770000000,1,5\n")
    station.poll()
    text = station.file.path.read_text() + '\n[channels.spare]\nunit = "V"\n'
    station.file.path.write_text(text)
    station.file = load_station(station.file.path)
    station.start()
    with log.open("a") as out:
        out.write("1770000001,2,6\n")
    station.poll()
    assert station.records()["spare"] == [(1_770_000_001_000_000, 6.0)]


def test_positions_of_the_release_before_are_read_on_from(station: Station) -> None:
    """They bear no layout."""
    log = station.folder / "log.csv"
    log.write_text("time,n2o\n1770000000,1\n")
    station.poll()
    with station.store.writing() as connection:
        connection.exec_driver_sql("UPDATE positions SET layout = NULL")
    station.start()
    with log.open("a") as out:
        out.write("1770000001,2\n")
    station.poll()
    assert [v for _, v in station.records()["n2o"]] == [1.0, 2.0]
    assert station.quarantine() == []


def test_a_refused_file_is_taken_once_the_station_file_is_corrected(station: Station) -> None:
    """Until then it is told once, does not wait, and is tried again by a restart alone."""
    log = station.folder / "log.csv"
    log.write_text("time,n2o (mV)\n1770000000,1\n")
    for _ in range(3):
        station.poll()
    assert len(station.quarantine()) == 1
    assert station.watch.waiting_bytes == 0
    station.start()
    station.poll()
    assert len(station.quarantine()) == 1
    channels = station.file.station.channels
    corrected = {**channels, "n2o": channels["n2o"].model_copy(update={"unit": "mV"})}
    station.file = replace(
        station.file, station=station.file.station.model_copy(update={"channels": corrected})
    )
    station.start()
    station.poll()
    assert station.records()["n2o"] == [(1_770_000_000_000_000, 1.0)]
