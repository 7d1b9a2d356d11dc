"""Services that start at once: forked from a process that has everything loaded.

Each is a process of its own, with threads, files and connections of its own, that can be
killed; only the seconds that Python takes to load are saved.
"""

import contextlib
import os
import signal
import subprocess
import sys
from pathlib import Path

from running import ENVIRONMENT

NURSERY = """
import gc, os, signal, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from small import own_line_stream, station_text, write_log
import stream.cli
from stream.pipeline.replay import replay
from stream.service.run import run
from stream.station import load_station

# Compiled functions are loaded once, here.
warm = Path(sys.argv[2]) / "warm"
warm.mkdir()
(warm / "station.toml").write_text(station_text())
log = write_log(own_line_stream(hours=0.3), warm / "in" / "a.csv")
replay(load_station(warm / "station.toml"), [log], f"sqlite:///{warm}/warm.db")
gc.freeze()
print("ready", flush=True)
for line in sys.stdin:
    station, url, log = line.rstrip().split("\\t")
    child = os.fork()
    if child == 0:
        out = os.open(log, os.O_CREAT | os.O_APPEND | os.O_WRONLY, 0o600)
        os.dup2(out, 2)
        os.dup2(out, 1)
        os.close(0)
        code = 1
        try:
            run(load_station(Path(station)), url)
            code = 0
        finally:
            os._exit(code)
    print(child, flush=True)
    _, status = os.waitpid(child, 0)
    print(status, flush=True)
"""


class Nursery:
    """Brings forth one service after another."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.log = folder / "log"
        self._process = subprocess.Popen(
            [sys.executable, "-c", NURSERY, Path(__file__).parent, folder],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=ENVIRONMENT,
        )  # fmt: skip
        self._child: int | None = None
        assert self._say() == "ready"

    def start(self, station: Path, url: str) -> int:
        """Start a service; its process number."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{station}\t{url}\t{self.log}\n")
        self._process.stdin.flush()
        self._child = int(self._say())
        return self._child

    def ended(self) -> int:
        """Wait until the service has ended; how, as ``waitpid`` tells it."""
        status = int(self._say())
        self._child = None
        return status

    def close(self) -> None:
        """End."""
        if self._child is not None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._child, signal.SIGKILL)
        self._process.kill()
        self._process.communicate()

    def _say(self) -> str:
        assert self._process.stdout is not None
        return self._process.stdout.readline().strip()
