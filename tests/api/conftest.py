"""Two simulated stations with their results, made once; nobody changes them."""

from pathlib import Path

import pytest
from api.demo_stations import made

import stream
from stream.demo.scenario import own_line, shared_analyzer


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where ``lidstream-demo`` lies."""
    return tmp_path_factory.mktemp("door")


@pytest.fixture(scope="session")
def own_path(demo_folder: Path) -> Path:
    """Sequential closures: two days of twelve chambers on one line."""
    return made(own_line(2, faults=False), demo_folder / "lidstream-demo" / "vellmark")


@pytest.fixture(scope="session")
def shared_path(demo_folder: Path) -> Path:
    """Concurrent closures: a day of twelve chambers on a selector valve."""
    return made(shared_analyzer(1, faults=False), demo_folder / "lidstream-demo" / "serravale")


@pytest.fixture(params=["own_path", "shared_path"])
def either(request: pytest.FixtureRequest) -> stream.Station:
    """A station of each kind."""
    return stream.open_station(request.getfixturevalue(request.param))


@pytest.fixture
def own(own_path: Path) -> stream.Station:
    """The station of sequential closures."""
    return stream.open_station(own_path)
