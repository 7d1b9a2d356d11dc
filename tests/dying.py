"""A replay that says when each commit begins, so that kills can be spread over the work."""

import os
import signal
from multiprocessing.connection import Connection
from pathlib import Path

from stream.pipeline.replay import replay
from stream.station import load_station
from stream.store import Changes
from stream.store.writer import Writer, Written


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
