"""A unit in a header that contradicts the station file, of a column named by its header."""

from contextlib import closing
from pathlib import Path

import pytest
from small import station_text

from stream.cli.command import main
from stream.store import open_store
from stream.store.journal.journal import Journal

LINES = "2026-02-02T02:40:00Z,331.5,0\n2026-02-02T02:40:02Z,331.7,0\n"


def replayed(
    column: str, header: str, folder: Path, capsys: pytest.CaptureFixture[str], units: str = ""
) -> tuple[int, list[str]]:
    """Exit code of a replay, and what it says on standard error."""
    text = station_text().replace("[channels.n2o]", f'[channels.n2o]\ncolumn = "{column}"', 1)
    (folder / "station.toml").write_text(text)
    (folder / "log.csv").write_text(f"time,{header},lid_1\n{units}{LINES}")
    code = main(["replay", str(folder / "station.toml"), str(folder / "log.csv"), "--partial"])
    return code, capsys.readouterr().err.splitlines()


@pytest.mark.parametrize(
    ("column", "header", "units"),
    [
        ("Gas A [ppm]", "Gas A [ppm]", ""),
        # The logger's program was changed: the name is the same, the unit is not.
        ("Gas A [ppb]", "Gas A [ppm]", ""),
        ("Gas A", "Gas A", ",ppm,-\n"),
    ],
    ids=["as-named", "changed-since", "row-of-units"],
)
def test_both_units_are_named_in_one_line(
    column: str, header: str, units: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Taken as it stands, every mole fraction would be a thousandth of what it is."""
    code, lines = replayed(column, header, tmp_path, capsys, units)
    assert code == 2
    assert len(lines) == 1
    assert "log.csv: " in lines[0]
    assert "'ppm' as the unit of n2o" in lines[0]
    assert "'nmol/mol'" in lines[0]
    assert "Correct unit of [channels.n2o], or the file" in lines[0]
    database = tmp_path / "small.db"
    if database.exists():
        with closing(open_store(f"sqlite:///{database}")) as store:
            assert Journal(store, "small").extent() == {}


def test_the_same_unit_by_another_name_is_taken(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert replayed("Gas A [ppb]", "Gas A [ppb]", tmp_path, capsys) == (0, [])
