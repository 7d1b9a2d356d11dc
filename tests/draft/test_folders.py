"""Drafts of folders that hold files of several loggers."""

import shutil
from pathlib import Path

import pytest
from draft.own_logs import draft, log


def test_another_stations_file_in_the_folder_is_asked_about(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log(tmp_path / "in" / "s.csv", hours=24)
    log(tmp_path / "in" / "z_neighbour.csv", shift=9.0, late=1230, hours=24)
    _, found = draft(tmp_path)
    (source,) = found["sources"]
    assert source["pattern"].startswith("? ")
    assert "s.csv and z_neighbour.csv" in source["pattern"]
    # What lids do is told by the first file alone.
    assert found["closure"] == {"expected_per_day": 24}
    err = capsys.readouterr().err
    assert "s.csv and z_neighbour.csv" in err


def test_a_copy_is_not_asked_about(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log(tmp_path / "in" / "s.csv")
    shutil.copy(tmp_path / "in" / "s.csv", tmp_path / "in" / "s (copy).csv")
    _, found = draft(tmp_path)
    assert found["sources"][0]["pattern"] == "*.csv"
    assert capsys.readouterr().err == ""


def test_files_of_different_headers_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log(tmp_path / "in" / "s.csv")
    lines = ["Date;Time;Rain [mm];VWC [m3/m3]"]
    lines += [f"2026-06-15;{h:02}:{m:02}:00;0.0;0.251" for h in range(6) for m in range(0, 60, 5)]
    (tmp_path / "in" / "weather.csv").write_text("\n".join(lines) + "\n")
    path, found = draft(tmp_path)
    assert found["sources"][0]["pattern"] == "*.csv"
    text = path.read_text(encoding="utf-8")
    for told in (text, capsys.readouterr().err):
        assert "s.csv" in told
        assert "weather.csv" in told
        assert "different headers" in told
