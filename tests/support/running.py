"""The service as a process, and what it says."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

from broker import Mosquitto
from forking import Command

ENVIRONMENT = {**os.environ, "LIDSTREAM_TEST_PASSWORD": Mosquitto.PASSWORD}


class Running:
    """``lidstream run`` as its own process, forked unless it is to run under another; its
    log is read as it comes.
    """

    def __init__(
        self, station: Path, url: str, *, under: tuple[str, ...] = (), **environment: str
    ) -> None:
        words = ["run", str(station), "--database", url]
        surroundings = {**ENVIRONMENT, **environment}
        self.process: subprocess.Popen[str] | Command
        if under:
            self.process = subprocess.Popen(
                [*under, sys.executable, "-m", "stream.cli", *words],
                stderr=subprocess.PIPE,
                text=True,
                env=surroundings,
            )
        else:
            self.process = Command(words, surroundings)
        self.lines: list[dict[str, object]] = []
        self.raw: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.raw.append(line)
            if line.startswith("{"):
                self.lines.append(json.loads(line))

    def events(self, name: str) -> list[dict[str, object]]:
        """Lines of the log about one event."""
        return [line for line in self.lines if line["event"] == name]

    def wait_for(self, name: str, seconds: float = 90.0) -> dict[str, object]:
        """The first line about an event."""
        wait(lambda: self.events(name) or self.process.poll() is not None, seconds, self.raw)
        assert self.events(name), (name, self.raw)
        return self.events(name)[0]

    def stop(self, seconds: float = 10.0) -> float:
        """SIGTERM; how long it took [s]."""
        begun = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(seconds) == 0, self.raw
        self._reader.join(5)
        return time.monotonic() - begun

    def kill(self) -> None:
        """SIGKILL."""
        self.process.kill()
        self.process.wait(10)
        self._reader.join(5)

    def __enter__(self) -> "Running":
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.kill()
        assert self.process.stderr is not None
        self.process.stderr.close()


def wait(until: Callable[[], object], seconds: float = 90.0, about: object = "") -> None:
    """Wait for something to become true."""
    end = time.monotonic() + seconds
    while (begun := time.monotonic()) < end:
        if until():
            return
        # A look that reads a whole database must not take the processor from who fills it.
        time.sleep(max(0.02, min(4.0 * (time.monotonic() - begun), 2.0)))
    raise AssertionError(f"not within {seconds} s: {about}")
