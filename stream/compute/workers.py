"""Work on the journal spread over many processes, on this computer or on others.

What a day of records becomes depends on the journal alone, so it does not matter who works
it out: days of lids and of closures go out, and what they become is joined and committed
here, in order. So results are the same to the bit as those of one process, and a worker that
dies in the middle costs nothing but the time to do its days again.
"""

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any, Final, TypeVar

from stream.compute.settle import tidy_up, without_pauses
from stream.errors import CommandError, LidstreamError
from stream.science.models.fit import use_threads
from stream.station import StationFile
from stream.store import open_store
from stream.store.journal.journal import CACHE_BYTES, Journal

T = TypeVar("T")
Task = tuple[Any, ...]

_AHEAD: Final = 2
"""Tasks for each worker that are out at once: memory does not grow with the period."""
_TOGETHER: Final = 4
"""Days in a row that go to one worker at most, since each reads part of the day before."""
_DEATHS: Final = 5
"""Times in a row that workers may die without a task done, before it is given up."""


def _tasks(given: Task, days: Sequence[Any], workers: int) -> list[Task]:
    """A few days in a row for each task, so that every worker has several tasks."""
    few = max(1, min(_TOGETHER, len(days) // (4 * workers))) if workers > 1 else 1
    return [(*given, days[i : i + few]) for i in range(0, len(days), few)]


_journals: dict[Task, Journal] = {}


def work_out(url: str, archive: str, station: str, work: Callable[..., T], task: Task) -> T:
    """One task, in a worker.

    Parameters
    ----------
    url, archive : str
        Of the database, and folder of the archive, as the worker reaches them.
    station : str
        Its id.
    work : callable
        What to do.
    task : tuple
        Its arguments after the journal.
    """
    use_threads(1)
    key = (url, archive, station)
    if key not in _journals:
        _journals[key] = Journal(open_store(url), station, Path(archive), CACHE_BYTES // 4)
    with without_pauses():
        result = work(_journals[key], *task)
        tidy_up()
    return result


class ProcessExecutor:
    """Workers of this computer.

    Parameters
    ----------
    file : StationFile
        The station.
    url : str
        Of the database.
    workers : int
        How many.
    """

    def __init__(self, file: StationFile, url: str, workers: int) -> None:
        self._url, self._archive, self._station = url, str(file.archive), file.station.id
        self.number = workers
        self._pool = self._new_pool()

    def _new_pool(self) -> ProcessPoolExecutor:
        # Not forked: this process has threads and open connections.
        context = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self.number, mp_context=context)

    def over(self, work: Callable[..., T], given: Task, days: Sequence[Any]) -> Iterator[T]:
        """``work(journal, *given, some)`` of a few days after another, in order.

        Raises
        ------
        LidstreamError
            Workers die whatever is tried.
        """
        tasks = _tasks(given, days, self.number)
        out: list[tuple[int, Future[T]]] = []
        following, deaths = 0, 0
        while out or following < len(tasks):
            try:
                while following < len(tasks) and len(out) < _AHEAD * self.number:
                    task = tasks[following]
                    out.append(
                        (
                            following,
                            self._pool.submit(
                                work_out, self._url, self._archive, self._station, work, task
                            ),
                        )
                    )
                    following += 1
                result = out[0][1].result()
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
            yield result

    def close(self) -> None:
        """Let the workers go."""
        self._pool.shutdown(wait=True, cancel_futures=True)


class DaskExecutor:
    """Workers of a Dask scheduler, on any computer that reaches the database and the archive.

    Raises
    ------
    CommandError
        Dask is not installed.
    LidstreamError
        The scheduler does not answer.
    """

    def __init__(self, file: StationFile, url: str, address: str) -> None:
        try:
            from distributed import Client
        except ImportError:
            raise CommandError(
                "--scheduler: Dask is not installed; python -m pip install 'lidstream[cluster]'"
            ) from None
        self._given: Task = (url, str(file.archive), file.station.id)
        try:
            make: Any = Client
            self._client = make(address, timeout="10s")
        except (OSError, ValueError) as error:
            raise LidstreamError(f"--scheduler {address}: does not answer: {error}") from None

    @property
    def number(self) -> int:
        """How many workers there are now."""
        return max(1, len(self._client.scheduler_info()["workers"]))

    def over(self, work: Callable[..., T], given: Task, days: Sequence[Any]) -> Iterator[T]:
        """``work(journal, *given, some)`` of a few days after another, in order; a task whose
        worker died is done by another.
        """
        tasks = _tasks(given, days, self.number)
        ahead = _AHEAD * self.number
        out: list[Any] = []
        following = 0
        while out or following < len(tasks):
            while following < len(tasks) and len(out) < ahead:
                out.append(
                    self._client.submit(
                        work_out, *self._given, work, tasks[following], pure=False, retries=3
                    )
                )
                following += 1
            yield out.pop(0).result()

    def close(self) -> None:
        """Leave the scheduler."""
        self._client.close()
