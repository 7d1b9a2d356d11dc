"""Many workers give what one process gives, to the bit, and may die on the way."""

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from broker import free_port
from forking import Command
from running import wait
from small import contents

from stream.compute.replay import replay
from stream.demo.scenario import own_line, shared_analyzer
from stream.demo.write import write_station
from stream.station import StationFile, load_station


class Replayed:
    """A station whose results were made with one dead band, and whose file asks for another."""

    def __init__(self, folder: Path, kind: str) -> None:
        make = own_line if kind == "own" else shared_analyzer
        path = write_station(make(3), folder)
        file = load_station(path)
        replay(file, [folder / "incoming"], file.database_url)
        text = path.read_text()
        assert "dead_band_s = " in text
        path.write_text(text.replace("dead_band_s = 30.0", "dead_band_s = 45.0"))
        self.file: StationFile = load_station(path)
        assert self.file.digest != file.digest
        self.database = Path(file.database_url.removeprefix("sqlite:///"))
        self.expected = contents(self.again("serial"))

    def url(self, name: str) -> str:
        """A copy of the database as it was before the dead band changed."""
        copy = self.database.with_name(f"{name}.db")
        shutil.copy(self.database, copy)
        return f"sqlite:///{copy}"

    def again(self, name: str, *words: str) -> str:
        """Reprocess a copy; its URL."""
        url = self.url(name)
        code, errors = self.run(url, *words).ended(300)
        assert code == 0, errors
        return url

    def run(self, url: str, *words: str) -> Command:
        command = ["reprocess", str(self.file.path), "--database", url, *words]
        return Command(command, os.environ)


@pytest.fixture(scope="module")
def replayed(tmp_path_factory: pytest.TempPathFactory) -> Replayed:
    return Replayed(tmp_path_factory.mktemp("own"), "own")


def revisions(found: dict[str, object]) -> int:
    return len(found["closures"])  # type: ignore[arg-type]


def test_two_processes_give_what_one_gives(replayed: Replayed) -> None:
    """Every row of every table, old revisions included."""
    assert revisions(replayed.expected) > 500
    assert contents(replayed.again("two", "--workers", "2")) == replayed.expected


def test_the_same_of_an_analyzer_that_is_shared(tmp_path: Path) -> None:
    shared = Replayed(tmp_path, "shared")
    assert contents(shared.again("two", "--workers", "2")) == shared.expected


def children(of: int) -> list[int]:
    """Processes that a process has started, but for the one that looks after their semaphores."""
    found = []
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit():
            continue
        try:
            parent = int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
            words = (entry / "cmdline").read_bytes()
        except (OSError, IndexError, ValueError):
            continue
        if parent == of and b"spawn_main" in words:
            found.append(int(entry.name))
    return found


def test_a_worker_that_is_killed_changes_nothing(replayed: Replayed) -> None:
    url = replayed.url("killed")
    process = replayed.run(url, "--workers", "2")
    killed = set()
    for pause in (0.3, 2.5):
        wait(lambda: children(process.pid) or process.poll() is not None, 60)
        time.sleep(pause)
        for pid in children(process.pid)[:1]:
            os.kill(pid, signal.SIGKILL)
            killed.add(pid)
    code, errors = process.ended(300)
    assert killed
    assert code == 0, errors
    assert contents(url) == replayed.expected


def test_all_is_told_when_workers_cannot_live(replayed: Replayed) -> None:
    """Killed at once, over and over: one line, exit code 1, and what was stored stays."""
    url = replayed.url("hopeless")
    before = contents(url)
    process = replayed.run(url, "--workers", "2")
    until = time.monotonic() + 240
    while process.poll() is None and time.monotonic() < until:
        for pid in children(process.pid):
            os.kill(pid, signal.SIGKILL)
        time.sleep(0.02)
    code, errors = process.ended(60)
    assert code == 1
    assert errors.strip().splitlines()[-1] == (
        "lidstream: workers die again and again; look at memory, or leave --workers out"
    )
    assert contents(url)["unsettled"] == before["unsettled"]


@contextmanager
def dask(folder: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A scheduler and two workers, each a process of its own."""
    port = free_port()
    address = f"tcp://127.0.0.1:{port}"
    log = (folder / "dask.log").open("wb")
    run = [sys.executable, "-m", "distributed.cli.dask_scheduler"]
    scheduler = subprocess.Popen(
        [*run, "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"],
        stdout=log,
        stderr=log,
    )
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1"]
    worker += ["--no-dashboard", "--no-nanny", "--local-directory", str(folder)]
    workers = [subprocess.Popen(worker, stdout=log, stderr=log) for _ in range(2)]
    try:
        wait(lambda: (folder / "dask.log").read_bytes().count(b"Registered to") >= 2, 60)
        yield address, workers
    finally:
        for process in [*workers, scheduler]:
            process.kill()
            process.wait(10)
        log.close()


def test_a_dask_cluster_gives_the_same_though_a_worker_is_killed(
    replayed: Replayed, tmp_path: Path
) -> None:
    with dask(tmp_path) as (address, workers):
        assert contents(replayed.again("dask", "--scheduler", address)) == replayed.expected
        url = replayed.url("dask-killed")
        process = replayed.run(url, "--scheduler", address)
        wait(lambda: process.poll() is not None or _busy(workers[0]), 60)
        workers[0].kill()
        code, errors = process.ended(300)
        assert code == 0, errors
        assert contents(url) == replayed.expected


def _busy(worker: subprocess.Popen[bytes]) -> bool:
    """Whether it has used more than a little of the processor since it was looked at last."""
    fields = Path(f"/proc/{worker.pid}/stat").read_text().rsplit(")", 1)[1].split()
    used = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    before = _seen.setdefault(worker.pid, used)
    return used - before > 0.3


_seen: dict[int, float] = {}


def test_a_scheduler_that_is_not_there_is_one_line(replayed: Replayed) -> None:
    process = replayed.run(replayed.url("nobody"), "--scheduler", "tcp://127.0.0.1:9")
    code, errors = process.ended(120)
    assert code == 1
    assert "--scheduler tcp://127.0.0.1:9: does not answer" in errors
    assert "Traceback" not in errors
