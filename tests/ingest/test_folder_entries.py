"""What lies in a watched folder besides good files: odd names, links, holes of NUL bytes."""

import os
import random
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from small import own_line_stream, write_log
from watched import Make, OpenParts, Station

from stream.errors import SourceError
from stream.ingest.delimited import reading
from stream.ingest.delimited.reading import TextFiles
from stream.ingest.files.recordings import find_recordings

Measured = Callable[[str, object], None]
ROWS = "time,n2o\n1770000000,331\n1770000001,332\n"
N2O = {"n2o": [(1_770_000_000_000_000, 331.0), (1_770_000_001_000_000, 332.0)]}


@pytest.fixture
def station(make_station: Make, open_parts: OpenParts, database_url: str) -> Station:
    return Station(make_station(), open_parts, database_url)


def names_of(station: Station) -> dict[str, str]:
    return {str(row[2]): str(row[4]) for row in station.quarantine()}


def latin(folder: Path, name: str) -> Path:
    """A path whose name is not UTF-8."""
    return Path(os.fsdecode(os.fsencode(folder) + b"/" + name.encode("latin-1")))


def test_names_that_are_not_utf_8_are_taken_and_named(station: Station, measured: Measured) -> None:
    latin(station.folder, "log-k\xfchl.csv").write_text(ROWS)
    latin(station.folder, "log-h\xf6he.csv").write_text("monday,rain\n")
    (station.folder / "log-b.csv").write_text("time,h2o\n1770000000,12\n")
    for _ in range(3):
        station.poll()
    taken = sum(map(len, station.records().values()))
    measured("records kept beside a name in Latin-1 that is no log", f"{taken} of 3")
    assert station.records() == {**N2O, "h2o": [(1_770_000_000_000_000, 12.0)]}
    assert list(names_of(station)) == ["log-h\\xf6he.csv"]
    station.start()
    assert station.poll() == 0


def test_a_bad_entry_is_told_once_and_the_rest_flows(
    station: Station, tmp_path: Path, measured: Measured
) -> None:
    """A circle, a link to nothing, links to outside (a file that is no log; a log, which is
    not taken either), and a link within the folder, which is.
    """
    outside = tmp_path / "secret.csv"
    outside.write_text("root:x:0:0\n")
    other = tmp_path / "other.csv"
    other.write_text("time,ch4\n1770000000,1900\n")
    folder = station.folder
    (folder / "log-circle.csv").symlink_to("log-ring.csv")
    (folder / "log-ring.csv").symlink_to("log-circle.csv")
    (folder / "log-nothing.csv").symlink_to(tmp_path / "gone.csv")
    (folder / "log-out.csv").symlink_to(outside)
    (folder / "log-up.csv").symlink_to("../../other.csv")
    (folder / "log-other.csv").symlink_to(other)
    (folder / "log-device.csv").symlink_to("/dev/zero")
    (folder / "log-folder.csv").mkdir()
    os.mkfifo(folder / "log-pipe.csv")
    (folder / "log.csv").write_text(ROWS)
    (folder / "log-today.csv").symlink_to("log.csv")
    station.poll()
    assert station.poll() == 0, "what was told is not told again"
    station.start()
    station.poll()
    taken = sum(map(len, station.records().values()))
    told = names_of(station)
    measured("records kept beside links in a circle, to nothing and to outside", f"{taken} of 2")
    lines = len(station.quarantine())
    measured("entries that cannot be taken, lines that tell of them", f"{len(told)}, {lines}")
    leaked = str(station.quarantine()).count("root:x")
    measured("lines of a file outside in quarantine", leaked)
    assert station.records() == N2O
    assert lines == len(told) == 7
    circles = {name for name, why in told.items() if "circle" in why}
    assert circles == {"log-circle.csv", "log-ring.csv"}
    assert "link to nothing" in told["log-nothing.csv"]
    for name in ("log-out.csv", "log-other.csv", "log-device.csv"):
        assert "outside its folder" in told[name]
    assert leaked == 0
    (folder / "log-nothing.csv").unlink()
    (folder / "log-nothing.csv").write_text("time,h2o\n1770000000,12\n")
    station.poll()
    assert "h2o" in station.records()


def test_replay_of_a_folder_follows_no_link_out_of_it(station: Station, tmp_path: Path) -> None:
    (station.folder / "log.csv").write_text(ROWS)
    (tmp_path / "other.csv").write_text(ROWS)
    (station.folder / "log-out.csv").symlink_to(tmp_path / "other.csv")
    found = find_recordings(station.file.station, [station.folder])
    assert [r.path.name for r in found.files] == ["log.csv"]
    (refused,) = found.refused
    assert "log-out.csv: a link to outside its folder" in refused
    (station.folder / "log.csv").unlink()
    (station.folder / "log-out.csv").unlink()
    with pytest.raises(SourceError, match="no file matches"):
        find_recordings(station.file.station, [station.folder])


def test_20_mb_of_nul_in_a_log_cost_no_record(
    make_station: Make, open_parts: OpenParts, database_url: str, measured: Measured
) -> None:
    """They stand before the line in the middle, and it alone is lost."""
    batch = own_line_stream(hours=1.0)
    station = Station(make_station(), open_parts, database_url)
    log = write_log(batch, station.folder / "log.csv")
    lines = log.read_bytes().splitlines(keepends=True)
    middle = len(lines) // 2
    log.write_bytes(b"".join([*lines[:middle], bytes(20_000_000), b"\n", *lines[middle:]]))
    for _ in range(2):
        station.poll()
    kept = sum(map(len, station.records().values()))
    measured("records kept after 20 MB of NUL", f"{kept:,} of {batch.records:,}")
    assert kept == batch.records == 9_300
    assert len(station.quarantine()) == 1


@pytest.mark.parametrize("size", [3_000, 1_100_000, 20_000_000])
def test_a_hole_of_nul_bytes_costs_its_line(station: Station, size: int) -> None:
    """As a power failure leaves it in a file; the rows are the same in whatever pieces the
    file grows.
    """
    header, a, b = ROWS.splitlines(keepends=True)
    content = (header + a).encode() + bytes(size) + b"1770000009,9\n" + b.encode()
    log = station.folder / "log.csv"
    rng = random.Random(size)
    at = 0
    with log.open("ab", buffering=0) as out:
        while at < len(content):
            step = rng.choice([11, 400, size // 3, size])
            out.write(content[at : at + step])
            at += step
            station.poll()
    station.poll()
    assert station.records() == N2O
    ((_, _, _, line, reason, text),) = station.quarantine()
    assert line == 3
    assert ("NUL" if size < 1_000_000 else "over 1048576 bytes") in str(reason)
    assert str(text).startswith("\\x00\\x00")
    # A recording that is replayed reads the same, in blocks of any size.
    for block in (reading.BLOCK_BYTES, 65_536):
        (recording,) = find_recordings(station.file.station, [log]).files
        assert recording.text is not None
        reader = TextFiles.of(station.file.station, station.source).reader(recording.text)
        with log.open("rb") as stream:
            batches = list(reader.batches(stream, block))
        assert np.concatenate([x.values[:, 0] for x in batches]).tolist() == [331.0, 332.0]
        (reject,) = [r for x in batches for r in x.rejects]
        assert (reject.line, reject.reason, reject.text) == (line, reason, text)
