"""Days of closures worked out by many processes, on this computer or on others.

What a closure becomes depends on the journal alone, so it does not matter who works it out:
lids are read and commits are made here, in order, and only the days of closures between go
out. So results are the same to the bit as those of one process, and a worker that dies in
the middle costs nothing but the time to do its day again.
"""

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any, Final

from stream.errors import CommandError, LidstreamError
from stream.pipeline.evaluate import evaluate
from stream.pipeline.rows import Event
from stream.pipeline.steady import tidy_up, without_pauses
from stream.science.kernel import use_threads
from stream.station import Analyzer, Station
from stream.store import open_store
from stream.store.changes import Result
from stream.store.journal import Journal

Days = Sequence[Sequence[Event]]
Evaluator = Callable[[Station, Analyzer, Days], Iterator[list[Result]]]
"""``evaluator(station, analyzer, days)``: the results of each day, in order."""

_AHEAD: Final = 2
"""Days for each worker that are out at once: memory does not grow with the period."""
_DEATHS: Final = 5
"""Times in a row that workers may die without a day done, before it is given up."""


def here(journal: Journal) -> Evaluator:
    """One day after another, in this process."""

    def work(station: Station, analyzer: Analyzer, days: Days) -> Iterator[list[Result]]:
        for events in days:
            yield evaluate(station, analyzer, events, journal)

    return work


_journals: dict[tuple[str, str, str], Journal] = {}


def work_out(
    url: str, archive: str, station: Station, analyzer: str, events: Sequence[Event]
) -> list[Result]:
    """One day of closures, in a worker.

    Parameters
    ----------
    url, archive : str
        Of the database, and folder of the archive, as the worker reaches them.
    station : Station
        As amended.
    analyzer : str
        Its id.
    events : sequence of Event
        The day's closures.

    Returns
    -------
    list of Result
        As :func:`evaluate`.
    """
    use_threads(1)
    key = (url, archive, station.id)
    if key not in _journals:
        _journals[key] = Journal(open_store(url), station.id, Path(archive))
    with without_pauses():
        results = evaluate(station, station.analyzer(analyzer), events, _journals[key])
        tidy_up()
    return results


class Processes:
    """Workers of this computer.

    Parameters
    ----------
    url : str
        Of the database.
    archive : Path
        Folder of the archive.
    workers : int
    """

    def __init__(self, url: str, archive: Path, workers: int) -> None:
        self._given = (url, str(archive))
        self._workers = workers
        self._pool = self._new_pool()

    def _new_pool(self) -> ProcessPoolExecutor:
        # Not forked: this process has threads and open connections.
        context = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self._workers, mp_context=context)

    def __call__(self, station: Station, analyzer: Analyzer, days: Days) -> Iterator[list[Result]]:
        """The results of each day, in order.

        Raises
        ------
        LidstreamError
            Workers die whatever is tried.
        """
        out: list[tuple[int, Future[list[Result]]]] = []
        following, deaths = 0, 0
        while out or following < len(days):
            try:
                while following < len(days) and len(out) < _AHEAD * self._workers:
                    out.append((following, self._ask(station, analyzer, days[following])))
                    following += 1
                results = out[0][1].result()
            except BrokenProcessPool:
                deaths += 1
                if deaths > _DEATHS:
                    raise LidstreamError(
                        "workers die again and again; look at memory, or leave --workers out"
                    ) from None
                # What was out is asked for again; nothing of it was committed.
                following = out[0][0] if out else following
                out = []
                self._pool.shutdown(wait=False, cancel_futures=True)
                self._pool = self._new_pool()
                continue
            del out[0]
            deaths = 0
            yield results

    def _ask(
        self, station: Station, analyzer: Analyzer, events: Sequence[Event]
    ) -> Future[list[Result]]:
        if not events:
            nothing: Future[list[Result]] = Future()
            nothing.set_result([])
            return nothing
        return self._pool.submit(work_out, *self._given, station, analyzer.id, events)

    def close(self) -> None:
        """Let the workers go."""
        self._pool.shutdown(wait=True, cancel_futures=True)


class Cluster:
    """Workers of a Dask scheduler, on any computer that reaches the database and the archive.

    Raises
    ------
    CommandError
        Dask is not installed.
    LidstreamError
        The scheduler does not answer.
    """

    def __init__(self, url: str, archive: Path, address: str) -> None:
        try:
            from distributed import Client
        except ImportError:
            raise CommandError(
                "--scheduler: Dask is not installed; python -m pip install 'lidstream[cluster]'"
            ) from None
        self._given = (url, str(archive))
        try:
            make: Any = Client
            self._client = make(address, timeout="10s")
        except (OSError, ValueError) as error:
            raise LidstreamError(f"--scheduler {address}: does not answer: {error}") from None

    def __call__(self, station: Station, analyzer: Analyzer, days: Days) -> Iterator[list[Result]]:
        """The results of each day, in order; a day whose worker died is done by another."""
        ahead = _AHEAD * max(1, len(self._client.scheduler_info()["workers"]))
        out: list[Any] = []
        following = 0
        while out or following < len(days):
            while following < len(days) and len(out) < ahead:
                events = days[following]
                out.append(
                    self._client.submit(
                        work_out, *self._given, station, analyzer.id, events,
                        pure=False, retries=3,
                    )
                )  # fmt: skip
                following += 1
            yield out.pop(0).result()

    def close(self) -> None:
        """Leave the scheduler."""
        self._client.close()
