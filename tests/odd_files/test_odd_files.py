"""Every odd file through the real path: whole, cut, and again."""

import csv
from collections import Counter
from pathlib import Path

import pytest

from odd_files.case import OddFile
from odd_files.corpus import ODD_FILES
from odd_files.cutting import pieces
from odd_files.trial import Trial, differences, expected, right
from stream.cli.command import main

by_case = pytest.mark.parametrize("case", ODD_FILES, ids=lambda c: c.id)


def replay(
    trial: Trial, files: list[Path], capsys: pytest.CaptureFixture[str], *options: str
) -> tuple[int, list[str]]:
    """Exit code and every line that was printed."""
    words = ["replay", trial.station, *files, "--partial", "--database", trial.url, *options]
    code = main([str(w) for w in words])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return code, (out + err).splitlines()


@by_case
def test_whole(
    case: OddFile, trial: Trial, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = trial.put(case.files)
    if case.asks:
        code, said = replay(trial, files, capsys)
        assert code == 2, said
        assert any(case.asks in line for line in said), said
        assert differences(expected(case.meanwhile), trial.stored()) == [], said
        trial.write_station(answered=True)
    code, said = replay(trial, files, capsys)
    assert code == case.exit_code, said
    right(trial, said)
    assert trial.refused_lines() == Counter(case.refused), trial.refused()
    if case.bad_file:
        about = [line for line in said if case.bad_file in line]
        assert any(all(w in line or w in line.lower() for w in case.error) for line in about), said
    if case.refused:
        out = tmp_path / "refused.csv"
        words = ["export", trial.station, "refused", "--out", out, "--database", trial.url]
        assert main([str(w) for w in words]) == 0
        with out.open(encoding="utf-8", newline="") as lines:
            table = list(csv.DictReader(lines))
        assert {"station", "source", "line", "reason", "text"} <= table[0].keys()
        assert Counter((r["source"], int(r["line"])) for r in table) == Counter(case.refused)
        assert all(r["reason"] for r in table)


@pytest.mark.parametrize("backwards", [False, True], ids=["in-order", "backwards"])
@pytest.mark.parametrize("case", [c for c in ODD_FILES if c.cut], ids=lambda c: c.id)
def test_cut_into_pieces(
    case: OddFile, trial: Trial, backwards: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same records come of three pieces of each file, whatever their order."""
    trial.write_station(answered=True)
    files = trial.put(pieces(case))
    _, said = replay(trial, files[::-1] if backwards else files, capsys)
    right(trial, said)


@pytest.mark.parametrize(
    "case", [c for c in ODD_FILES if c.refused or c.asks or c.bad_file], ids=lambda c: c.id
)
def test_again(case: OddFile, trial: Trial, capsys: pytest.CaptureFixture[str]) -> None:
    """A second replay of everything changes nothing, and tells the same."""
    trial.write_station(answered=True)
    files = trial.put(case.files)
    first, said = replay(trial, files, capsys)
    records, refused = trial.stored(), trial.refused()
    right(trial, said)
    again, said = replay(trial, files, capsys)
    assert again == first == case.exit_code, said
    assert trial.stored() == records
    assert trial.refused() == refused


REFUSING = [c for c in ODD_FILES if c.refused and c.exit_code == 1]


@pytest.mark.parametrize("case", REFUSING, ids=lambda c: c.id)
def test_refused_lines_can_be_allowed(
    case: OddFile, trial: Trial, capsys: pytest.CaptureFixture[str]
) -> None:
    trial.write_station(answered=True)
    code, said = replay(trial, trial.put(case.files), capsys, "--allow-refused")
    assert code == 0, said
    right(trial, said)
    assert trial.refused_lines() == Counter(case.refused), trial.refused()
