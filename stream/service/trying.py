"""Work on the database, tried until it is done, whatever becomes of the database meanwhile."""

import threading
import time
from collections.abc import Callable, Sequence
from typing import Final, TypeVar

from stream.compute.replay import Pipeline
from stream.errors import RecordsDamaged, StoreDamaged, StoreError, StoreRefused, StoreTaken
from stream.ingest.broker.mqtt import Tell
from stream.service.process.state import State
from stream.store import WriterLock
from stream.times import rfc3339

_LONGEST_WAIT_S: Final = 30.0
T = TypeVar("T")


class Stopped(Exception):
    """The service is to end: leave what is not committed to the broker and the files."""


class Trying:
    """Tries again.

    Parameters
    ----------
    parts : Pipeline
        The path of the station; its store is reopened when it has been away.
    lock : WriterLock
        Renewed then.
    read_again : sequence of callable
        Asks sources for what they still have.
    state, tell
        Who is told.
    """

    def __init__(
        self,
        parts: Pipeline,
        lock: WriterLock,
        read_again: Sequence[Callable[[], None]],
        state: State,
        tell: Tell,
    ) -> None:
        self._parts = parts
        self._lock = lock
        self._read_again = read_again
        self._state = state
        self._tell = tell
        self._stop = threading.Event()
        self._beat: Callable[[], None] = lambda: None

    def begin(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        """Whom to heed from now on, and whom to tell of being alive."""
        self._stop, self._beat = stop, beat

    def go_on(self) -> None:
        """Be heard of in the midst of long work.

        Raises
        ------
        Stopped
            The work is to end.
        """
        self._beat()
        if self._stop.is_set():
            raise Stopped

    def until_done(self, work: Callable[[], T]) -> T:
        """Do something with the database; while it is away, wait."""
        wait = 0.5
        damaged: RecordsDamaged | None = None
        while True:
            try:
                if damaged is not None:
                    self.mend(damaged)
                    damaged = None
                result = work()
            except (StoreDamaged, StoreTaken, StoreRefused):
                raise
            except RecordsDamaged as error:
                damaged = error
                continue
            except StoreError as error:
                failure = error
            else:
                if self._state.store_trouble is not None:
                    self._state.store_trouble = None
                    self._tell("info", "database is back")
                return result
            if self._stop.is_set():
                raise Stopped
            self._state.store_trouble = str(failure)
            self._tell("error", "database away", error=str(failure), again_in_s=wait)
            self._pause(wait)
            wait = min(2 * wait, _LONGEST_WAIT_S)
            self._come_back()

    def mend(self, error: RecordsDamaged) -> None:
        """Set aside what is damaged, and ask for its records again."""
        found = self._parts.mend(error)
        if found is None:
            # Sound by now, or gone already; let what comes next not run round in a circle.
            self._tell("warning", "damaged records are sound again", error=str(error))
            self._pause(1.0)
        else:
            self._tell(
                "critical", "records damaged and set aside; files are read again",
                error=str(error), first=rfc3339(found.first_us), last=rfc3339(found.last_us),
                source=found.source,
            )  # fmt: skip
            for ask in self._read_again:
                ask()
        self._parts.intake.refresh()

    def _come_back(self) -> None:
        """After a failure nobody knows what was committed: look, and own the lock again."""
        try:
            # A file that could not be written was opened for reading only: open it anew.
            self._parts.store.let_go()
            self._lock.renew()
            self._parts.intake.refresh()
        except (StoreDamaged, StoreTaken):
            raise
        except StoreError:
            return

    def _pause(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while True:
            self._beat()
            left = until - time.monotonic()
            if left <= 0:
                return
            if self._stop.wait(min(1.0, left)):
                raise Stopped
