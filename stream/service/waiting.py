"""The service before its database can be opened: records go to disk, and people are told."""

import threading
import time
from collections.abc import Callable, Mapping
from typing import Final, Generic, TypeVar

from stream.alerts.outbox import Outbox
from stream.alerts.watch import Alerting
from stream.errors import StoreCorrupt, StoreError, StoreTaken
from stream.ingest.broker.mqtt import Broker, Tell
from stream.service.inbox import Inbox, Sent
from stream.service.intakes import broker_intake
from stream.service.process.notify import Notifier
from stream.service.process.state import SourceState, State
from stream.service.process.supervisor import Part, Supervisor
from stream.service.spool import Spool, key_of
from stream.station import MqttSource, StationFile

T = TypeVar("T")
_LOOK_S: Final = 0.5
_FIRST_S: Final = 5.0
"""What takes longer to open is waited for with brokers taken and people told."""
_LONGEST_WAIT_S: Final = 30.0
_ALERTS_S: Final = 60.0
_STOP_S: Final = 6.0
_LIMIT_S: Final = 300.0


class _Aside(Generic[T]):
    """Something that is done in a thread of its own, which ends with the process."""

    def __init__(self, work: Callable[[], T]) -> None:
        self._work = work
        self._found: list[T] = []
        self._error: BaseException | None = None
        self.over = threading.Event()
        threading.Thread(target=self._run, name="aside", daemon=True).start()

    def _run(self) -> None:
        try:
            self._found.append(self._work())
        except BaseException as error:
            self._error = error
        self.over.set()

    def result(self) -> T:
        """What it gave, or its error."""
        if self._error is not None:
            raise self._error
        return self._found[0]


class Waiting:
    """Waits for the database.

    Parameters
    ----------
    file : StationFile
    state : State
        Told what keeps the database away.
    alerting : Alerting
    posts : mapping
        Way → the post that sends from memory.
    tell : callable
        The log.
    """

    def __init__(
        self,
        file: StationFile,
        state: State,
        alerting: Alerting,
        posts: Mapping[str, Outbox],
        tell: Tell,
    ) -> None:
        self._file = file
        self._state = state
        self._alerting = alerting
        self._posts = posts
        self._tell = tell
        self._spool = Spool.of(file)
        self._inbox = Inbox()
        self._brokers: dict[int, Broker] = {}

    def until(self, attempt: Callable[[], T], stop: threading.Event) -> T | None:
        """Try something until it works or ``stop`` is set, then None.

        Raises
        ------
        StoreTaken, StoreCorrupt
            Waiting does not mend that.
        """
        first = _Aside(attempt)
        begun: _Aside[T] | None = first
        if first.over.wait(_FIRST_S):
            try:
                return first.result()
            except (StoreTaken, StoreCorrupt):
                raise
            except StoreError as error:
                self._trouble(error, 1.0)
            begun = None
        supervisor = Supervisor(self._tell)
        notifier = Notifier()
        notifier.send("READY=1", "STATUS=waiting for the database")
        self._start(supervisor)
        try:
            return self._wait(attempt, begun, stop, supervisor, notifier)
        finally:
            supervisor.stop.set()
            self._inbox.wake()
            supervisor.join(_STOP_S)
            for broker in self._brokers.values():
                broker.close(self._state.as_json("stopped"))

    def _wait(
        self,
        attempt: Callable[[], T],
        begun: "_Aside[T] | None",
        stop: threading.Event,
        supervisor: Supervisor,
        notifier: Notifier,
    ) -> T | None:
        wait, alerted = 1.0, 0.0
        again_at = time.monotonic() + wait
        looking: _Aside[object] | None = None
        while not stop.wait(_LOOK_S):
            supervisor.look()
            notifier.alive()
            # Each may wait for half a minute and more: neither may hold up this loop.
            due = time.monotonic() - alerted > _ALERTS_S or not alerted
            if due and (looking is None or looking.over.is_set()):
                looking, alerted = _Aside(self._alerting.look), time.monotonic()
            if begun is None:
                if time.monotonic() >= again_at:
                    begun = _Aside(attempt)
                continue
            if not begun.over.is_set():
                continue
            wait = min(2 * wait, _LONGEST_WAIT_S)
            try:
                found, begun = begun.result(), None
            except (StoreTaken, StoreCorrupt):
                raise
            except StoreError as error:
                begun = None
                self._trouble(error, wait)
            else:
                self._state.store_trouble = None
                self._tell("info", "database is back")
                return found
            again_at = time.monotonic() + wait
        return None

    def _trouble(self, error: StoreError, wait: float) -> None:
        self._state.store_trouble = str(error)
        self._tell("error", "database away", error=str(error), again_in_s=wait)

    def _start(self, supervisor: Supervisor) -> None:
        names = [SourceState(s.name) for s in self._state.sources]
        shown = State(self._state.station, names, self._state.disk)
        for i, source in enumerate(self._file.station.sources):
            if isinstance(source, MqttSource):
                intake = broker_intake(self._file, i, source, self._inbox, shown, self._tell)
                self._brokers[i] = intake.broker
        supervisor.add(Part("spool", self._keep, _LIMIT_S))
        for i, broker in self._brokers.items():
            supervisor.add(Part(f"broker {names[i].name}", broker.run, _LIMIT_S))
        for way, post in self._posts.items():
            supervisor.add(Part(f"post {way}", post.run, _LIMIT_S))

    def _keep(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        """Write down what comes, then acknowledge it; while the disk refuses, brokers wait."""
        held: list[Sent] = []
        told = False
        while not stop.is_set():
            beat()
            held = held or [s for s in self._inbox.gather(1.0) if isinstance(s, Sent)]
            low = self._state.free_mb() < self._file.station.service.min_free_mb
            try:
                if held and low:
                    raise OSError(None, "the disk is nearly full")
                self._write_down(held)
            except OSError as error:
                if not told:
                    self._tell(
                        "error", "messages cannot be kept; brokers hold them",
                        file=str(self._spool.path), error=error.strerror,
                    )  # fmt: skip
                told = True
                stop.wait(1.0)
                continue
            held, told = [], False

    def _write_down(self, held: list[Sent]) -> None:
        for i, source in enumerate(self._file.station.sources):
            mine = [s.message for s in held if s.source == i]
            if mine and isinstance(source, MqttSource):
                self._spool.keep(key_of(source), mine)
                self._brokers[i].acknowledge(mine)
