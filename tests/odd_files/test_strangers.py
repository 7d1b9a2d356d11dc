"""Files by people who had not seen the reader, each with what a careful person reads in it.

``expected.csv`` was made from the numbers before they were dressed, not from the file. At the
first try, without a key of the source but what the header needs, four of the first ten and five
of the next twelve were read whole; of the others one was read wrong without a word.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest

from odd_files.case import OddFile
from odd_files.cutting import pieces
from odd_files.fieldwork import FIELDWORK
from odd_files.stranger import STRANGERS, Stranger
from odd_files.trial import Grower, Trial, differences, expected
from stream.cli.command import main

ALL: Final = [*STRANGERS, *FIELDWORK]
by_file = pytest.mark.parametrize("stranger", ALL, ids=lambda s: s.number)


@pytest.fixture
def trial(stranger: Stranger, tmp_path: Path, empty: Path) -> Trial:
    """The file in a folder of its own."""
    return Trial(stranger.case(), tmp_path, empty)


def replay(trial: Trial, files: list[Path], capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    """Exit code and what was said."""
    words = ["replay", trial.station, *files, "--partial", "--database", trial.url]
    code = main([str(w) for w in words])
    said = "".join(capsys.readouterr())
    assert "Traceback" not in said
    return code, said


def right(trial: Trial, case: OddFile, said: object = "") -> None:
    """Exactly the expected records are stored."""
    assert differences(expected(case.records), trial.stored()) == [], said


@by_file
def test_it_is_read_whole_or_not_at_all(
    stranger: Stranger, trial: Trial, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every number as it is meant, or none, with a line that says why."""
    code, said = replay(trial, trial.put(trial.case.files), capsys)
    assert code == stranger.exit_code, said
    assert stranger.told in said
    right(trial, trial.case, said)


@pytest.mark.parametrize("stranger", [s for s in ALL if s.asked], ids=lambda s: s.number)
def test_a_key_that_is_needed_is_asked_for(
    stranger: Stranger, tmp_path: Path, empty: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trial = Trial(stranger.unasked().case(), tmp_path, empty)
    code, said = replay(trial, trial.put(trial.case.files), capsys)
    assert code in (1, 2), said
    assert stranger.asked in said


@pytest.mark.parametrize("backwards", [False, True], ids=["in-order", "backwards"])
@pytest.mark.parametrize("stranger", [s for s in ALL if s.cut], ids=lambda s: s.number)
def test_cut_into_pieces(trial: Trial, backwards: bool, capsys: pytest.CaptureFixture[str]) -> None:
    """The same records come of three pieces, whatever their order."""
    files = trial.put(pieces(trial.case))
    _, said = replay(trial, files[::-1] if backwards else files, capsys)
    right(trial, trial.case, said)


@pytest.fixture
def grower(trial: Trial) -> Iterator[Grower]:
    """The file's folder, watched."""
    found = Grower(trial)
    yield found
    found.stop()


@pytest.mark.parametrize("restarted", [False, True], ids=["watched", "restarted"])
@by_file
def test_growing(trial: Trial, grower: Grower, restarted: bool) -> None:
    """The same records come of a file that grows, by bytes and not by lines."""
    grower.grow(restarted=restarted)
    right(trial, trial.case)


def test_all_are_there_and_hold_something() -> None:
    assert [s.number for s in sorted(ALL, key=lambda s: s.number)] == [
        f"{n:02}" for n in range(1, 23)
    ]
    assert all(sum(map(len, s.records().values())) > 100 for s in ALL)
