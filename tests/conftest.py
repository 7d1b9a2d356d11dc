"""Shared fixtures: small stations, their records, and databases of both kinds."""

import gc
import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Final

import known_statements
import new_databases
import pytest
from broker import Mosquitto
from hypothesis import HealthCheck, settings
from servers import IN_CI, POSTGRES
from small import station_text
from sqlalchemy import make_url
from xdist.scheduler import LoadFileScheduling

import stream
from stream.compute.replay import Pipeline, join
from stream.station import StationFile, load_station
from stream.store import Store, connect, open_store

# How long an example takes says how busy the machine is.
settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")

# Byte code is kept, whatever the environment says: else each of the many processes compiles all
# sources, and each worker rewrites the assertions of all tests.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# What is loaded before the first test stays: looking through it for garbage finds nothing.
gc.disable()

# A test's folders lie in memory where there is room: databases wait for the disk at each commit.
# What is asked of the disk, and in which order, is told by strace, and disks that fail are mounted.
_MEMORY: Final = Path("/dev/shm")
if os.access(_MEMORY, os.W_OK) and shutil.disk_usage(_MEMORY).free > 4 << 30:
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(_MEMORY))

# For fixtures of modules too, which come before a test's own.
connect._bring_up_to_date = new_databases.bring_up_to_date
connect.create_engine = known_statements.engine  # type: ignore[assignment]


def pytest_configure(config: pytest.Config) -> None:
    """Kernels are compiled once, and not by each worker beside the others."""
    if getattr(config.option, "numprocesses", None) and not hasattr(config, "workerinput"):
        cache = getattr(config, "cache", None)
        if cache and cache.get(_COMPILED, None) == _sources_and_kernels():
            return
        support = Path(__file__).parent / "support"
        halves = [
            subprocess.Popen([sys.executable, "-c", f"import {name}"], cwd=support)
            for name in ("warm", "compiled")
        ]
        for half in halves:
            assert half.wait() == 0, "the kernels cannot be compiled: see above"
        if cache:
            cache.set(_COMPILED, _sources_and_kernels())


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Of several workers, each takes a file at a time: what lasts longest goes first, or one
    would be at it by itself in the end.
    """
    if hasattr(config, "workerinput"):
        rank = {name: i for i, name in enumerate(_LONG)}
        tests = Path(__file__).parent
        items.sort(key=lambda item: rank.get(item.path.relative_to(tests).as_posix(), len(_LONG)))


class _Scheduling(LoadFileScheduling):
    """A file at a time, but for files that share what takes long to make."""

    def _split_scope(self, nodeid: str) -> str:
        file = super()._split_scope(nodeid)
        if file in _ALONE:
            return file
        return next((group[0] for group in _TOGETHER if file.startswith(group)), file)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> LoadFileScheduling | None:
    """Unless another way of handing out is asked for."""
    return _Scheduling(config, log) if config.getvalue("dist") == "loadfile" else None


_TOGETHER: Final = (
    ("tests/api/",),  # stations with their results
    ("tests/web/test_browser.py", "tests/web/test_page.py"),  # a service that serves its page
)
"""Files that go to one worker."""
_ALONE: Final = ("tests/api/test_season.py", "tests/api/test_names.py")
"""Of their folder, what makes no station."""
_LONG: Final = (
    "trouble/test_trouble.py",
    "compute/test_mistakes.py",
    "compute/test_many.py",
    "compute/test_promises.py",
    "api/test_previews.py",
    "compute/test_rough_seasons.py",
    "odd_files/test_odd_files.py",
    "web/test_browser.py",
    "web/test_page.py",
    "trouble/test_clocks.py",
    "service/test_run.py",
    "trouble/test_log_gone.py",
    "trouble/test_held_still.py",
    "trouble/test_stopping.py",
    "trouble/test_no_database.py",
    "trouble/test_kills.py",
    "trouble/test_damaged_records.py",
    "trouble/test_clock_behind.py",
    "compute/test_truth.py",
    "odd_files/test_growing.py",
    "api/test_season.py",
    "field/test_season.py",
    "field/test_season_judging.py",
    "field/test_event_seasons.py",
    "report/test_one_cause.py",
    "report/test_outages.py",
    "report/test_formats.py",
    "report/test_summary.py",
    "report/test_report.py",
    "draft/test_draft.py",
    "cli/test_cli.py",
    "alerts/test_telling.py",
    "handbook/test_first_station.py",
)
"""Files of tests that last longest, the longest first."""
_COMPILED: Final = "lidstream/compiled"


def _sources_and_kernels() -> str:
    """Changes with every source of the package, and with what was compiled of it."""
    told = [sys.version]
    for path in sorted(Path(stream.__file__).parent.rglob("*")):
        if path.suffix in {".py", ".nbi", ".nbc"}:
            about = path.stat()
            told.append(f"{path} {about.st_size} {about.st_mtime_ns}")
    return hashlib.sha256("\n".join(told).encode()).hexdigest()


@pytest.hookimpl(tryfirst=True)
def pytest_runtestloop() -> None:
    """Garbage is collected again, without going through what was loaded until now."""
    gc.freeze()
    gc.set_threshold(_NEW_OBJECTS)
    gc.enable()


_NEW_OBJECTS: Final = 20_000
"""A replay makes objects by the ten thousand, and hardly any are garbage in circles: with the
700 of old, a tenth of its time went into looking."""


@pytest.fixture
def measured(record_property: Callable[[str, object], None]) -> Callable[[str, object], None]:
    """Keeps a number that a test found, with what it is a number of; it changes nothing.
    ``tests/trouble/measure.py`` prints them.
    """
    return record_property


@pytest.fixture
def make_station(tmp_path: Path) -> Callable[..., StationFile]:
    """Writes and loads a small station file."""

    def make(**options: object) -> StationFile:
        path = tmp_path / "station.toml"
        path.write_text(station_text(**options), encoding="utf-8")  # type: ignore[arg-type]
        return load_station(path)

    return make


@pytest.fixture
def sqlite_url(tmp_path: Path) -> str:
    """URL of a fresh SQLite file."""
    return f"sqlite:///{tmp_path / 'test.db'}"


@pytest.fixture(scope="session")
def postgres_tables() -> Iterator[str]:
    """Name of a database on the server that has the tables; new ones are copies of it."""
    with ExitStack() as stack:
        try:
            name = stack.enter_context(new_databases.template())
        except Exception as error:
            if IN_CI:
                raise
            shown = make_url(POSTGRES)
            pytest.skip(f"no PostgreSQL at {shown!r}: {str(error).splitlines()[0]}")
        yield name


@pytest.fixture(autouse=True)
def _migrations(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """See new_databases.py; tests that try the migrations are marked."""
    if request.node.get_closest_marker("migrates") is not None:
        monkeypatch.setattr(connect, "_bring_up_to_date", new_databases.migrate)


@pytest.fixture
def postgres_url(request: pytest.FixtureRequest) -> Iterator[str]:
    """URL of a fresh database on the server."""
    migrates = request.node.get_closest_marker("migrates")
    like = "template1" if migrates else request.getfixturevalue("postgres_tables")
    with new_databases.database(like) as url:
        yield url


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """URL of a fresh database, once of each kind."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'test.db'}"
    else:
        yield request.getfixturevalue("postgres_url")


@pytest.fixture
def open_parts() -> Iterator[Callable[[StationFile, str], tuple[Store, Pipeline]]]:
    """Opens a store and joins the path over it; closes what it opened."""
    opened: list[Store] = []

    def make(file: StationFile, url: str) -> tuple[Store, Pipeline]:
        store = open_store(url)
        opened.append(store)
        return store, join(file, store)

    yield make
    for store in opened:
        store.close()


@pytest.fixture
def broker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Mosquitto]:
    """A broker with a password, running."""
    monkeypatch.setenv("LIDSTREAM_TEST_PASSWORD", Mosquitto.PASSWORD)
    mosquitto = Mosquitto(tmp_path / "broker").start()
    yield mosquitto
    mosquitto.stop()
