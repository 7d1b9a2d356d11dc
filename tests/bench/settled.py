"""Adopts an archive and settles it, in a process that has loaded nothing else: what
``year.py`` measures. Its workers load what this file loads, as those of the command do.

Run by hand: ``python tests/bench/settled.py STATION_FILE WORKERS``; prints seconds to adopt,
seconds from Parquet to stored fluxes, closures, and peak memory of all processes [MB].
"""

import resource
import sys
import time
from contextlib import closing
from pathlib import Path

from stream.compute.replay import join
from stream.compute.settle import without_pauses
from stream.compute.workers import ProcessExecutor
from stream.station import load_station
from stream.store import open_store
from stream.store.journal.adoption import adopt
from stream.store.results.readers import Reader


def settled(path: Path, workers: int) -> tuple[float, float, int, float]:
    """Adopt the archive and settle it; seconds, seconds, closures, memory [MB]."""
    file = load_station(path)
    for old in path.parent.glob("*.db*"):
        old.unlink()
    with closing(open_store(file.database_url)) as store:
        begun = time.perf_counter()
        adopt(store, file.station.id, file.archive)
        adopted = time.perf_counter() - begun
        parts = join(file, store)
        many = ProcessExecutor(file, file.database_url, workers) if workers > 1 else None
        begun = time.perf_counter()
        with without_pauses():
            parts.settlement.settle(workers=many)
        took = time.perf_counter() - begun
        if many:
            many.close()
        closures = sum(1 for _ in Reader(store, file.station.id).closures())
    status = Path("/proc/self/status").read_text().split()
    peak = int(status[status.index("VmHWM:") + 1]) / 1024
    if many:
        # Of the worker that needed most; all of them are like it.
        peak += workers * resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    return adopted, took, closures, peak


if __name__ == "__main__":
    print(*settled(Path(sys.argv[1]), int(sys.argv[2])))
