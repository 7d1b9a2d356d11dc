"""The command as a person meets it: words, exit codes, one line for each mistake."""

import fcntl
import gzip
import os
import pty
import struct
import subprocess
import sys
import termios
from pathlib import Path

import pytest
from forking import Command
from small import own_line_stream, part, station_text, write_log

from stream import __version__
from stream.cli.command import build_parser, main
from stream.compute.replay import replay
from stream.station import load_station
from stream.store import open_store
from stream.store.results.readers import Reader

HERE = Path(__file__).parent


@pytest.fixture
def station(tmp_path: Path) -> Path:
    path = tmp_path / "station.toml"
    path.write_text(station_text(), encoding="utf-8")
    return path


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return write_log(own_line_stream(hours=0.5), tmp_path / "incoming" / "log.csv")


def said(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, list[str]]:
    """Exit code, what was printed, and the lines of complaint."""
    try:
        code = main([str(w) for w in words])
    except SystemExit as stop:
        code = int(stop.code or 0)
    out, err = capsys.readouterr()
    return code, out, err.splitlines()


def test_check(station: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = said(capsys, "check", station)
    assert (code, err) == (0, [])
    assert "good" in out
    station.write_text(station_text().replace("area_m2 = 0.25", "area_m2 = -1", 1) + "zzz = 1\n")
    code, out, err = said(capsys, "check", station)
    assert code == 2
    assert len(err) == 2
    assert all(line.startswith(f"lidstream: {station}: ") for line in err)


def test_replay_and_export(station: Path, log: Path, tmp_path: Path, capsys) -> None:
    code, out, err = said(capsys, "replay", station, log.parent)
    assert (code, err) == (0, [])
    assert "closures: " in out
    code, out, err = said(capsys, "export", station, "fluxes", "--out", tmp_path / "f.csv")
    assert (code, err) == (0, [])
    assert out.strip().endswith("rows")
    code, out, err = said(capsys, "export", station, "fluxes", "--out", tmp_path / "g.csv",
                          "--from", "2026-02-02", "--to", "2026-02-02T02:45:00Z")  # fmt: skip
    assert code == 0
    assert len((tmp_path / "g.csv").read_text().splitlines()) == 2


def test_database_option_is_relative_to_where_one_stands(
    station: Path, log: Path, tmp_path: Path, capsys, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    assert said(capsys, "replay", station, log, "--database", "sqlite:///mine.db")[0] == 0
    assert (elsewhere / "mine.db").exists()
    assert not (tmp_path / "small.db").exists()


def one_line(result: tuple[int, str, list[str]], code: int, words: str) -> None:
    found, _, err = result
    assert found == code, err
    assert len(err) == 1, err
    assert words in err[0]
    assert "Traceback" not in err[0]


def nothing_written(tmp_path: Path) -> None:
    assert [p.name for p in tmp_path.glob("**/*.db*")] == []


BAD_FILES = [
    ("empty.csv", b"", "the file is empty"),
    ("picture.csv", b"\x89PNG\r\n\x1a\n\x00\x00\x00", "neither delimited text nor SenML"),
    ("prose.csv", b"Dear diary\nit rained\n", "is no header of delimited columns"),
    ("zip.csv", b"PK\x03\x04\x14\x00\x00\x00", "neither delimited text nor SenML"),
    ("torn.csv.gz", b"\x1f\x8b\x08\x00\x00", "cannot be decompressed"),
    ("stamp.csv", b"stamp,n2o\n1770000000,331\n", "no column of times in its header"),
    ("other.csv", b"time,wind\n1770000000,3\n", "none of its columns is a channel"),
    ("part.csv", b"time,n2o,h2o\n1770000000,331,12\n", "no column 'lid_1' (and 3 more channels)"),
]


@pytest.mark.parametrize(("name", "content", "words"), BAD_FILES, ids=[f[0] for f in BAD_FILES])
def test_bad_files_are_one_line_and_leave_no_trace(
    station: Path, tmp_path: Path, capsys, name: str, content: bytes, words: str
) -> None:
    bad = tmp_path / name
    bad.write_bytes(content)
    result = said(capsys, "replay", station, bad)
    one_line(result, 2, words)
    assert str(bad) in result[2][0]
    nothing_written(tmp_path)


def test_a_bad_file_among_good_ones_holds_up_itself_alone(
    station: Path, log: Path, tmp_path: Path, capsys
) -> None:
    (tmp_path / "incoming" / "aa.csv").write_bytes(b"")
    code, out, err = said(capsys, "replay", station, log.parent)
    assert code == 2
    assert len(err) == 1
    assert "aa.csv: the file is empty" in err[0]
    assert out.startswith("1 file: ")
    alone = said(capsys, "replay", station, log)
    assert alone[0] == 0
    assert " 0 new records" in alone[1]


def test_each_file_with_a_problem_is_told(station: Path, log: Path, tmp_path: Path, capsys) -> None:
    """A unit that contradicts is the reason why a column is missing; both are told."""
    folder = tmp_path / "samples"
    folder.mkdir()
    (folder / "a.csv").write_bytes(b"time,n2o,h2o\n1770000000,331,12\n")
    (folder / "b.csv").write_bytes(b"time,lid_1,t_1 (K),p_air (Pa)\n1770000000,0,281,99500\n")
    (folder / "c.csv").write_bytes(b"")
    (folder / "d.csv").write_bytes(b"wann,n2o\n1,2\n")
    code, out, err = said(capsys, "replay", station, folder)
    assert (code, out) == (2, "")
    assert [next(n for n in "abcd" if f"{n}.csv: " in line) for line in err] == ["b", "c", "d", "a"]
    assert "'Pa' as the unit of p_air, the station file 'kPa'; 'K' as the unit of t_1" in err[0]
    assert "Correct unit of [channels.p_air], [channels.t_1], or the file" in err[0]
    assert "no column 'lid_1'" in err[3]
    assert "nor in the other files" not in err[3]
    nothing_written(tmp_path)


def test_a_column_that_is_called_otherwise(station: Path, log: Path, capsys) -> None:
    """The column that was looked for is named, and those that nobody takes."""
    text = station.read_text().replace("[channels.n2o]", '[channels.n2o]\ncolumn = "N2O dry"')
    station.write_text(text)
    code, out, err = said(capsys, "replay", station, log)
    assert (code, out) == (2, "")
    assert "no column 'N2O dry' of the channel 'n2o' here" in err[0]
    assert err[0].endswith("Columns that no channel takes: 'n2o'.")


def test_channels_without_a_column_are_told_at_the_end(station: Path, log: Path, capsys) -> None:
    """Nothing needs them, so a misspelt name would be noticed only in an empty column."""
    soil = '\n[channels.t_soil_east]\nunit = "degC"\n[channels.vwc]\nunit = "%vol"\n'
    station.write_text(station.read_text() + soil)
    first, *rest = log.read_text().splitlines()
    log.write_text("\n".join([f"{first},t_soil_est", *(f"{line},11.5" for line in rest), ""]))
    code, out, err = said(capsys, "replay", station, log)
    assert (code, err) == (0, [])
    told = out.splitlines()[-1]
    assert told.startswith("no file has a column for 't_soil_east' (is it 't_soil_est'?), 'vwc': ")
    assert told.endswith("Columns that no channel takes: 't_soil_est'.")
    station.write_text(station.read_text().replace(soil, ""))
    assert "no file has" not in said(capsys, "replay", station, log)[1]


def test_folders_and_paths(station: Path, tmp_path: Path, capsys) -> None:
    empty = tmp_path / "nothing"
    empty.mkdir()
    one_line(said(capsys, "replay", station, empty), 2, "no file matches *.csv")
    one_line(said(capsys, "replay", station, tmp_path / "gone.csv"), 2, "no such file or folder")
    one_line(said(capsys, "replay", tmp_path / "gone.toml", empty), 2, "no such file")
    nothing_written(tmp_path)


def test_partial_goes_on(station: Path, tmp_path: Path, capsys) -> None:
    log = tmp_path / "part.csv"
    log.write_bytes(b"time,n2o,h2o\n1770000000,331,12\n")
    assert said(capsys, "replay", station, log, "--partial")[0] == 0
    assert (tmp_path / "small.db").exists()


def test_files_may_come_one_by_one(station: Path, tmp_path: Path, capsys) -> None:
    """A channel that an earlier file brought is not missing."""
    batch = own_line_stream(hours=0.5)
    write_log(batch, tmp_path / "a.csv")
    assert said(capsys, "replay", station, tmp_path / "a.csv")[0] == 0
    write_log(part(batch, slice(0, 50), ("n2o",)), tmp_path / "b.csv")
    assert said(capsys, "replay", station, tmp_path / "b.csv")[0] == 0


def test_a_database_that_cannot_be_written(
    station: Path, log: Path, tmp_path: Path, capsys
) -> None:
    url = f"sqlite:///{tmp_path / 'no' / 'folder' / 'x.db'}"
    one_line(said(capsys, "replay", station, log, "--database", url), 1, "cannot be opened")
    (tmp_path / "dir.db").mkdir()
    url = f"sqlite:///{tmp_path / 'dir.db'}"
    one_line(said(capsys, "replay", station, log, "--database", url), 1, "cannot be opened")


def test_a_database_of_a_newer_schema(station: Path, log: Path, tmp_path: Path, capsys) -> None:
    from sqlalchemy import text

    store = open_store(f"sqlite:///{tmp_path / 'small.db'}")
    with store.writing() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = 'a7'"))
    store.close()
    before = (tmp_path / "small.db").read_bytes()
    one_line(said(capsys, "replay", station, log), 1, "schema 'a7' is newer than lidstream")
    one_line(said(capsys, "export", station, "fluxes", "--out", tmp_path / "x.csv"), 1, "newer")
    assert (tmp_path / "small.db").read_bytes() == before


def test_a_file_that_is_no_database(station: Path, log: Path, tmp_path: Path, capsys) -> None:
    (tmp_path / "small.db").write_text("these are notes " * 300)
    one_line(said(capsys, "replay", station, log), 1, "not an intact database")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "required: VERB"),
        (("fly",), "invalid choice: 'fly'"),
        (("replay",), "required: STATION.toml, FILE"),
        (("check", "a", "b"), "unrecognized arguments: b"),
        (("export", "s.toml", "feelings", "--out", "x"), "invalid choice: 'feelings'"),
        (("demo", "--days", "none"), "'none' is not a number of days"),
    ],
)
def test_mistakes_on_the_command_line(capsys, words: tuple[str, ...], message: str) -> None:
    one_line(said(capsys, *words), 2, message)


@pytest.mark.parametrize("text", ["yesterday", "2026-02-30", "2026-02-02T00:00:00"])
def test_times_on_the_command_line(station: Path, tmp_path: Path, capsys, text: str) -> None:
    result = said(capsys, "export", station, "fluxes", "--out", tmp_path / "x.csv", "--from", text)
    one_line(result, 2, f"--from: '{text}' is neither a day")


def test_version_and_help(capsys) -> None:
    assert said(capsys, "--version")[1].strip() == f"lidstream {__version__}"
    code, out, _ = said(capsys, "--help")
    assert code == 0
    for verb in ("check", "replay", "export", "demo"):
        assert verb in out
        assert said(capsys, verb, "--help")[0] == 0


def test_every_verb_is_in_the_readme() -> None:
    readme = (HERE.parents[1] / "README.md").read_text(encoding="utf-8")
    (verbs,) = [a for a in build_parser()._actions if a.dest == "verb"]
    for verb in verbs.choices:
        assert f"lidstream {verb}" in readme, verb


def test_the_installed_command_runs() -> None:
    """As a process of its own, since that is how it is used."""
    done = subprocess.run(
        [sys.executable, "-m", "stream.cli", "check", "nowhere.toml"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "Traceback" not in done.stderr


def test_demo_end_to_end(tmp_path: Path, capsys) -> None:
    """One day of both stations: table, exports, truth."""
    code, out, err = said(capsys, "demo", "--out", tmp_path / "demo", "--days", "1")
    assert (code, err) == (0, [])
    for words in ("Vellmark", "Serravale", "worst flag", "against the truth", "Look next at"):
        assert words in out
    for name in ("vellmark", "serravale"):
        folder = tmp_path / "demo" / name
        assert len((folder / "fluxes.csv").read_text().splitlines()) > 200
        assert said(capsys, "check", folder / "station.toml")[0] == 0
    again, out, _ = said(capsys, "demo", "--out", tmp_path / "demo", "--days", "1")
    assert again == 0
    assert "0 new records" in out


def test_demo_where_nothing_can_be_written(tmp_path: Path, capsys) -> None:
    (tmp_path / "file").write_text("")
    code, _, err = said(capsys, "demo", "--out", tmp_path / "file", "--days", "1")
    assert code == 1
    assert len(err) == 1
    assert "cannot be written" in err[0]


def test_a_compressed_file_that_breaks_off(
    station: Path, log: Path, tmp_path: Path, capsys
) -> None:
    """What can be unpacked is taken; the break is in quarantine; the whole file mends it."""
    whole = gzip.compress(log.read_bytes())
    packed = tmp_path / "log.csv.gz"
    packed.write_bytes(whole[: len(whole) // 2])
    code, out, err = said(capsys, "replay", station, packed)
    assert (code, err) == (0, [])
    with_break = tmp_path / "small.db"
    store = open_store(f"sqlite:///{with_break}")
    reasons = [r["reason"] for r in Reader(store, "small").quarantine()]
    store.close()
    assert any(reason.startswith("the compressed file breaks off") for reason in reasons)
    packed.write_bytes(whole)
    code, out, _ = said(capsys, "replay", station, packed)
    assert code == 0
    assert " known already" in out
    assert not out.startswith("1 file: 0 new")


def test_a_terminal_sees_progress(station: Path, log: Path, tmp_path: Path) -> None:
    """A bar for records and one for fluxes, on a real pseudo-terminal; nothing in a pipe."""
    leader, follower = pty.openpty()
    fcntl.ioctl(follower, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    os.set_blocking(leader, False)
    process = Command(["replay", str(station), str(log)], os.environ, err=follower)
    code, printed = process.ended(120)
    assert code == 0
    shown = os.read(leader, 65536).decode()
    os.close(follower)
    os.close(leader)
    assert "records" in shown
    assert "fluxes" in shown
    assert printed.startswith("1 file: ")


def test_each_stage_of_a_replay_is_told_from_its_beginning(station: Path, log: Path) -> None:
    """A small day takes a while as well: the bar of a stage stands there before its first part."""
    told: list[tuple[str, float]] = []

    def report(stage: str, done: float, total: float) -> None:
        told.append((stage, done / total))

    file = load_station(station)
    replay(file, [log], file.database_url, report=report)
    assert [stage for stage, done in told if done == 0.0] == ["files", "records", "fluxes"]
    assert told[-1][0] == "fluxes"
    assert told[-1][1] > 0.0
