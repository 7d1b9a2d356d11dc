"""Nobody reads the log any more: that holds up nothing else."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np
import pytest
from broker import Mosquitto
from running import ENVIRONMENT, wait
from small import contents, own_line_stream, packs, part

TOPIC = "small/records/a"
BATCH = own_line_stream(hours=0.6)
MakeStation = Callable[..., Path]
Undisturbed = Callable[..., dict[str, object]]


@contextmanager
def read_by(how: str, small_disk: Path) -> Iterator[int | None]:
    """Standard error, in the way that it is in trouble."""
    if how == "closed":
        yield None
        return
    if how == "full disk":
        with (small_disk / "log").open("wb", buffering=0) as log:
            with (small_disk / "filler").open("wb", buffering=0) as out, suppress(OSError):
                while True:
                    out.write(bytes(4096))
            yield log.fileno()
        return
    inside, outside = os.pipe()
    if how == "reader gone":
        os.close(inside)
    else:  # it is there, and reads nothing
        os.set_blocking(outside, False)
        with suppress(BlockingIOError):
            while True:
                os.write(outside, bytes(4096))
        os.set_blocking(outside, True)
    yield outside
    os.close(outside)
    if how != "reader gone":
        os.close(inside)


@pytest.mark.parametrize("how", ["closed", "reader gone", "reader stuck", "full disk"])
def test_the_service_goes_on_and_ends_when_it_is_asked(
    broker: Mosquitto, station: MakeStation, undisturbed: Undisturbed, sqlite_url: str,
    small_disk: Path, how: str,
) -> None:  # fmt: skip
    file = station(broker.source())
    command = [sys.executable, "-m", "stream.cli", "run", str(file), "--database", sqlite_url]
    with read_by(how, small_disk) as standard_error:
        if standard_error is None:
            command = ["sh", "-c", 'exec "$@" 2>&-', "sh", *command]
        process = subprocess.Popen(command, stderr=standard_error, env=ENVIRONMENT)
        try:
            wait(lambda: b"running" in (broker.retained("lidstream/small/status", 0.5) or b""), 60)
            for rows in np.array_split(np.arange(len(BATCH)), 4):
                broker.publish(TOPIC, [*packs(part(BATCH, rows)), b"not JSON"])
                broker.stop()  # so that there is something to tell
                time.sleep(0.5)
                broker.start()
            expected = undisturbed()
            wait(lambda: {**contents(sqlite_url), "quarantine": []} == expected, 60)
            assert process.poll() is None
            process.send_signal(signal.SIGTERM)
            assert process.wait(10) == 0
        finally:
            process.kill()
            process.wait(10)
