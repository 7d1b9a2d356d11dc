"""What a replay tells of lines that were refused, every time, and the code that it ends with."""

import csv
from pathlib import Path

import pytest
from small import station_text

from stream.cli.command import main
from stream.ingest.refusals import by_reason

LINES = [f"2026-02-02 03:{i // 60:02d}:{i % 60:02d},{330 + i / 10:.1f},12.0" for i in range(300)]


@pytest.fixture
def station(tmp_path: Path) -> Path:
    path = tmp_path / "station.toml"
    path.write_text(station_text())
    return path


def replayed(
    station: Path, lines: list[str], capsys: pytest.CaptureFixture[str], *more: str
) -> tuple[int, str, str]:
    log = station.parent / "log.csv"
    log.write_text("\n".join(["time,n2o,h2o", *lines, ""]))
    code = main(["replay", str(station), str(log), "--partial", *more])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return code, out, err


def test_refusals_are_told_by_reason_every_time(station: Path, capsys) -> None:
    bad = [*LINES[:100], "2026-02-02 04:00:00,off,12.0", "never,1,2", "2026-02-02 04:00:01,of,1"]
    for _ in range(2):
        code, out, err = replayed(station, [*bad, *LINES[100:]], capsys)
        assert code == 0, "three lines in three hundred are one in a hundred"
        told = out.splitlines()[1:]
        assert told[0] == "3 lines or cells refused, by reason:"
        assert told[1] == "       2 × n2o: 'off' is not a number"
        assert told[2] == "           first: log.csv line 102: 2026-02-02 04:00:00,off,12.0"
        assert told[3].startswith("           likely cause: a word to list in states")
        assert told[4] == "       1 × 'never' is not a time"
        assert err == ""


def test_one_refusal_is_told_in_the_singular(station: Path, capsys) -> None:
    _, out, _ = replayed(station, [*LINES, "never,1,2"], capsys)
    assert "1 line or cell refused, by reason:" in out.splitlines()


def test_many_refusals_end_with_one(station: Path, capsys) -> None:
    lines = [*LINES, *["never,1,2"] * 4]
    code, _, err = replayed(station, lines, capsys)
    assert code == 1
    assert "log.csv: 4 of 305 lines were refused." in err
    assert "--allow-refused" in err
    assert replayed(station, lines, capsys, "--allow-refused")[0] == 0


def test_a_file_that_gives_nothing_ends_with_one(station: Path, capsys) -> None:
    code, _, err = replayed(station, ["2026-02-02 03:00:00,,", "2026-02-02 03:00:01,NaN,"], capsys)
    assert code == 1
    assert "log.csv: no record was read." in err


def test_times_coarser_than_the_sampling_are_told(station: Path, capsys) -> None:
    """Hours and minutes of a logger that writes every second."""
    code, out, _ = replayed(station, [line[:16] + line[19:] for line in LINES], capsys)
    assert code == 1
    assert "log.csv: 295 values have the time of an earlier line." in out
    assert "coarser than the sampling interval" in out


def test_times_that_are_all_alike_are_told(station: Path, capsys) -> None:
    code, out, _ = replayed(station, [LINES[0][:19] + line[19:] for line in LINES], capsys)
    assert code == 1
    assert "log.csv: all lines have the same time. Check the logger's clock" in out


@pytest.mark.parametrize("foreign", ["a_neighbour.csv", "z_neighbour.csv"])
def test_the_file_whose_values_stand_is_named(station: Path, capsys, foreign: str) -> None:
    """The first by its name stands; only a person knows which of the two is foreign."""
    folder = station.parent / "incoming"
    folder.mkdir()
    (folder / "log.csv").write_text("\n".join(["time,n2o,h2o", *LINES, ""]))
    shifted = [line.replace(",12.0", ",11.5") for line in LINES]
    (folder / foreign).write_text("\n".join(["time,n2o,h2o", *shifted, ""]))
    first, second = sorted(["log.csv", foreign])
    for _ in range(2):
        code = main(["replay", str(station), str(folder), "--partial"])
        out, err = capsys.readouterr()
        assert code == 1
        assert f"likely cause: {first} has other values for the same times" in out
        assert f"{second}: 300 values differ from those of {first} for the same times." in out
        assert "in the order of their names" in out
        assert f"{second}: 300 of 301 lines were refused, since {first} has other values" in err
        assert "Move the file that is not of this station away" in err


def test_a_file_that_disagrees_with_itself_blames_no_other(station: Path, capsys) -> None:
    assert replayed(station, LINES, capsys)[0] == 0
    _, out, err = replayed(station, [line.replace(",12.0", ",11.5") for line in LINES], capsys)
    assert "log.csv: 300 of 301 lines were refused. Correct the file" in err
    assert "likely cause: times coarser than the sampling interval" in out
    assert "differ from those of" not in out


def test_export_lists_refused_lines(station: Path, tmp_path: Path, capsys) -> None:
    replayed(station, [*LINES, 'never,1,"a ""b"" c"'], capsys)
    out = tmp_path / "refused.csv"
    assert main(["export", str(station), "refused", "--out", str(out)]) == 0
    with out.open() as rows:
        assert list(csv.DictReader(rows)) == [
            {
                "station": "small", "source": "log.csv", "line": "302",
                "reason": "'never' is not a time", "text": 'never,1,"a ""b"" c"',
            }
        ]  # fmt: skip
    assert main(["export", str(station), "refused", "--out", str(out), "--gas", "N2O"]) == 2


def test_reasons_are_alike_but_for_what_differs_from_line_to_line() -> None:
    rows = [
        {"source": "a", "line": i, "reason": reason, "text": ""}
        for i, reason in enumerate([
            "n2o at 2026-02-02T03:00:00Z is already recorded as 1.5; the first stands",
            "n2o at 2026-02-02T03:00:01.5Z is already recorded as -2e-05; the first stands",
            "co2 at 2026-02-02T03:00:00Z is already recorded as 1.5; the first stands",
            "n2o: 'it\\'s' is not a number", 'n2o: "x\'y" is not a number',
            "3 fields where the header has 4", "5 fields where the header has 4",
        ])
    ]  # fmt: skip
    found = by_reason(rows)
    assert [(g.count, g.line) for g in found] == [(2, 0), (2, 3), (2, 5), (1, 2)]
    assert "coarser" in found[0].cause
