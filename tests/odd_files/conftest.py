"""An odd file in a folder of its own, with a database and a station file."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from odd_files.case import OddFile
from odd_files.trial import Grower, Trial
from stream.store import open_store


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database with nothing in it."""
    path = tmp_path_factory.mktemp("empty") / "odd.db"
    open_store(f"sqlite:///{path}").close()
    return path


@pytest.fixture
def trial(case: OddFile, tmp_path: Path, empty: Path) -> Trial:
    """The case in a folder of its own."""
    return Trial(case, tmp_path, empty)


@pytest.fixture
def grower(trial: Trial) -> Iterator[Grower]:
    """The case's folder, watched."""
    found = Grower(trial)
    yield found
    found.stop()
