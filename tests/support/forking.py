"""Processes that start at once: forked from one that has loaded what takes Python seconds.

Each is a process of its own, with threads, files and connections of its own, that can be
killed.
"""

import multiprocessing
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from multiprocessing import forkserver
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import NoReturn

import pytest

from stream.compute.replay import replay
from stream.service.run import run
from stream.station import load_station
from stream.store import Changes
from stream.store.results.writer import Writer, Written

_context = multiprocessing.get_context("forkserver")
_context.set_forkserver_preload(["warm"])


def fork(work: Callable[..., None], *arguments: object) -> BaseProcess:
    """Start a process that does some work; its exit code is −9 after ``kill -9``."""
    with pytest.MonkeyPatch.context() as patch:
        # The server finds the tests' modules by its environment alone.
        patch.setenv("PYTHONPATH", str(Path(__file__).parent))
        forkserver.ensure_running()
    process = _context.Process(target=work, args=arguments, daemon=True)
    process.start()
    return process


def pipe() -> tuple[Connection, Connection]:
    """The ends that a parent reads and a child writes."""
    return _context.Pipe(duplex=False)


class Command:
    """``lidstream`` with some words as a process of its own, forked; in the manner of
    ``subprocess.Popen`` with ``stderr=PIPE`` and ``text=True``.

    With ``printed`` what it prints comes along with its complaints; with ``err``, a file
    descriptor, complaints go there, and ``stderr`` has what it prints alone.
    """

    def __init__(
        self,
        words: list[str],
        environment: Mapping[str, str],
        *,
        printed: bool = False,
        err: int | None = None,
    ) -> None:
        here, there = pipe()
        ends: dict[int, Connection] = {}
        if printed or err is not None:
            ends[1] = there
        ends[2] = there if err is None else Connection(os.dup(err), readable=False)
        self._process = fork(_command, words, dict(environment), os.getcwd(), ends)
        for end in ends.values():
            end.close()
        self.stderr = os.fdopen(os.dup(here.fileno()), encoding="utf-8")
        here.close()
        assert self._process.pid is not None
        self.pid = self._process.pid

    def poll(self) -> int | None:
        """The exit code, or None while it runs."""
        return self._process.exitcode

    def wait(self, seconds: float | None = None) -> int:
        """The exit code; TimeoutExpired where it is not over in time."""
        self._process.join(seconds)
        code = self._process.exitcode
        if code is None:
            raise subprocess.TimeoutExpired("lidstream", seconds or 0.0)
        return code

    def ended(self, seconds: float) -> tuple[int, str]:
        """The exit code, and what was said; TimeoutExpired where it is not over in time."""
        code = self.wait(seconds)
        with self.stderr:
            return code, self.stderr.read()

    def send_signal(self, number: int) -> None:
        """Send a signal to it while it runs."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        """SIGKILL."""
        self.send_signal(signal.SIGKILL)


def done(
    words: Sequence[object], environment: Mapping[str, str] | None = None, seconds: float = 120.0
) -> subprocess.CompletedProcess[str]:
    """``lidstream`` with some words, run to its end; in the manner of ``subprocess.run`` with
    ``capture_output=True`` and ``text=True``.
    """
    said = [str(word) for word in words]
    with tempfile.TemporaryDirectory() as folder:
        out, err = Path(folder) / "out", Path(folder) / "err"
        given = dict(os.environ if environment is None else environment)
        process = fork(_done, said, given, os.getcwd(), out, err)
        process.join(seconds)
        if process.exitcode is None:
            process.kill()
            raise subprocess.TimeoutExpired(said, seconds)
        return subprocess.CompletedProcess(
            said, process.exitcode, out.read_text("utf-8"), err.read_text("utf-8")
        )


def _done(words: list[str], environment: dict[str, str], folder: str, out: Path, err: Path) -> None:
    for number, path in ((1, out), (2, err)):
        file = os.open(path, os.O_CREAT | os.O_WRONLY, 0o600)
        os.dup2(file, number)
        os.close(file)
    _main(words, environment, folder)


def _command(
    words: list[str], environment: dict[str, str], folder: str, ends: dict[int, Connection]
) -> None:
    for number, end in ends.items():
        os.dup2(end.fileno(), number)
    for end in ends.values():
        end.close()
    _main(words, environment, folder)


def _main(words: list[str], environment: dict[str, str], folder: str) -> NoReturn:
    # One that may start workers, as a command does.
    multiprocessing.current_process()._config["daemon"] = False  # type: ignore[attr-defined]
    os.environ.clear()
    os.environ.update(environment)
    time.tzset()
    os.chdir(folder)
    from stream.cli.command import main

    sys.exit(main(words))


def serve(station: Path, url: str, log: Path, environment: Mapping[str, str]) -> None:
    """Run a service; what it says goes into a file."""
    os.environ.update(environment)
    out = os.open(log, os.O_CREAT | os.O_APPEND | os.O_WRONLY, 0o600)
    os.dup2(out, 2)
    os.dup2(out, 1)
    run(load_station(station), url)


def replay_told(station: Path, folder: Path, url: str, last: int, told: Connection) -> None:
    """Replay a folder; ``told`` gets the number of each commit as it begins. The process is
    killed at the very beginning of the commit that is named last, if any.
    """
    commit, begun = Writer.commit, 0

    def telling(self: Writer, changes: Changes) -> Written:
        nonlocal begun
        begun += 1
        told.send(begun)
        if begun == last:
            os.kill(os.getpid(), signal.SIGKILL)
        return commit(self, changes)

    Writer.commit = telling  # type: ignore[method-assign]
    replay(load_station(station), [folder], url)
