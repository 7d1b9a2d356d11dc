"""The unattended service: started once, left for a season."""

import logging
import os
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Final

from stream.alerts.outbox import WAYS, Outbox
from stream.alerts.watch import Alerting
from stream.compute.partly_held_days import bring
from stream.compute.replay import Pipeline, join
from stream.compute.running import admit
from stream.errors import CommandError, LidstreamError, StoreDamaged, StoreError
from stream.ingest.broker.mqtt import Tell
from stream.ingest.intake import check_clocks
from stream.service.clock import ComputerClock
from stream.service.inbox import Inbox, Task
from stream.service.intakes import Status, Wiring, intake_of
from stream.service.mornings import Mornings
from stream.service.process.descriptors import allow_many
from stream.service.process.ending import Ending
from stream.service.process.log import Forward, Log
from stream.service.process.metrics import Metrics
from stream.service.process.notify import Notifier
from stream.service.process.state import Known, SourceState, State
from stream.service.process.supervisor import Hung, Part, Supervisor
from stream.service.schedule import Schedule
from stream.service.spool import Spool
from stream.service.waiting import Waiting
from stream.service.writer_thread import WriterThread
from stream.station import Station, StationFile
from stream.store import Store, WriterLock, reach_store
from stream.store.journal.adoption import adopt
from stream.store.journal.archive import Archive
from stream.store.journal.damage import check_intact, set_aside
from stream.store.journal.scrub import Scrub
from stream.store.lock import OneService
from stream.store.messages import Messages
from stream.store.results.readers import Reader
from stream.store.results.settled_months import SettledMonths
from stream.store.station_data import Marks

STOP_S: Final = 7.0
"""How long threads may take to stop; the manager is told to wait 10 s."""
_PATIENT_S: Final = 3.0
"""For so long they may wait for the database meanwhile."""
_LOOK_S: Final = 0.5
_WRITER_LIMIT_S: Final = 300.0
_SOURCE_LIMIT_S: Final = 120.0


@dataclass(frozen=True, slots=True)
class _Opened:
    """What works on the database."""

    lock: WriterLock
    archive: Archive
    marks: Marks
    parts: Pipeline
    clock: ComputerClock


class Service:
    """One station's process.

    Parameters
    ----------
    file : StationFile
    url : str
        Of the database.
    tell : callable
        The log.
    clock_is_right : bool
        A person says that this computer's clock is right, whatever it showed before.

    Raises
    ------
    CommandError
        The station file names no source.
    """

    def __init__(
        self, file: StationFile, url: str, tell: Tell, *, clock_is_right: bool = False
    ) -> None:
        if not file.station.sources:
            raise CommandError(
                f"{file.path}: sources: none; add a [[sources]] with"
                ' kind = "folder", "mqtt" or "tables"'
            )
        self._file = file
        self._url = url
        self._tell = tell
        self._clock_is_right = clock_is_right
        self.stop = threading.Event()
        self.left: list[str] = []
        """Threads that had not ended when the service did."""

    def run(self) -> None:
        """Work until :attr:`stop` is set.

        Raises
        ------
        StoreTaken
            Another process writes for this station.
        LidstreamError
            Something that waiting does not mend.
        """
        with ExitStack() as stack:
            # Before anything is taken from a broker: two would take from one another.
            place = self._file.path.resolve().parent / f".{self._file.station.id}.service.lock"
            stack.enter_context(OneService(place))
            store = reach_store(self._url)
            stack.callback(store.close)
            messages = Messages(store, self._file.station.id)
            posts = {way: Outbox(self._file, messages, way, self._tell) for way in WAYS}
            state = State(
                self._file.station.id,
                [SourceState(name) for name in _names(self._file.station)],
                store.folder or self._file.path.resolve().parent,
            )
            known = Known(state)
            alerting = Alerting(self._file, store, messages, posts, known.computer, self._tell)
            waiting = Waiting(self._file, state, alerting, posts, self._tell)
            try:
                opened = waiting.until(lambda: self._open(store, stack), self.stop)
                if opened is not None:
                    self._work(store, opened, stack, known, posts, alerting)
            except StoreDamaged as error:
                # After all that reads has ended, or a new file would be made in its place.
                store.close()
                self._set_aside(error)
                raise

    def _open(self, store: Store, stack: ExitStack) -> _Opened:
        """Take the lock, bring the database up, and read in it how far things are."""
        station = self._file.station.id
        try:
            with ExitStack() as attempt:
                lock = attempt.enter_context(self._lock(store))
                self._make_whole(store)
                lock.claim()
                archive, marks = Archive(store, station, self._file.archive), Marks(store, station)
                check_clocks(self._file, store)
                parts = self._parts(store, archive)
                clock = ComputerClock(marks, self._tell, right=self._clock_is_right)
                stack.push(attempt.pop_all())
        except StoreError:
            # A file that could not be written was opened for reading only: open it anew.
            store.let_go()
            raise
        return _Opened(lock, archive, marks, parts, clock)

    def _lock(self, store: Store) -> WriterLock:
        return WriterLock(store, self._file.station.id)

    def _make_whole(self, store: Store) -> None:
        """Bring up the database; a damaged one is set aside and a new one begun."""
        try:
            check_intact(self._url)
            store.bring_up_to_date()
        except StoreDamaged as error:
            store.close()
            self._set_aside(error)
            store.bring_up_to_date()

    def _set_aside(self, error: StoreDamaged) -> None:
        aside = set_aside(self._url)
        self._tell(
            "critical",
            "database damaged and set aside; a new one is begun from the archive and the sources",
            error=str(error),
            kept=str(aside),
        )

    def _work(
        self,
        store: Store,
        opened: _Opened,
        stack: ExitStack,
        known: Known,
        posts: Mapping[str, Outbox],
        alerting: Alerting,
    ) -> None:
        """Put the parts of the service together and run them."""
        station, state = self._file.station, known.state
        marks, parts, clock = opened.marks, opened.parts, opened.clock
        known.clock = clock
        supervisor = Supervisor(self._tell)
        inbox = Inbox()
        reader = Reader(store, station.id)
        wiring = Wiring(self._file, reader, parts.hand, inbox, marks, state, self._tell)
        intakes = [intake_of(wiring, i) for i in range(len(station.sources))]
        brokers = {i: b.broker for i, intake in enumerate(intakes) if (b := intake.of_broker)}
        decoders = {i: b.decoder for i, intake in enumerate(intakes) if (b := intake.of_broker)}
        read_again = [intake.read_again for intake in intakes if intake.read_again]
        status = Status(state, brokers)
        metrics = Metrics(state, supervisor)
        self._serve(metrics, stack)
        writer = WriterThread(
            parts, opened.lock, inbox, decoders, brokers,
            read_again, state, metrics, clock, self._tell,
        )  # fmt: skip
        main = Part("writer", writer.run, _WRITER_LIMIT_S)
        spool = Spool.of(self._file)
        if not spool.is_empty:
            inbox.put(Task("spool", lambda: writer.take_spool(spool), brings=True))

        status.say()
        mornings = Mornings(self._file, store, self._tell)
        schedule = Schedule(
            self._file, opened.archive, SettledMonths(store, station.id, self._file.archive),
            Scrub(store, station.id, self._file.archive), reader, inbox, state, clock,
            lambda: parts.intake.latest_us, read_again, status.say, main.beat,
            self._tell, mornings.look, alerting.look,
        )  # fmt: skip
        supervisor.add(main)
        for intake, shown in zip(intakes, state.sources, strict=True):
            supervisor.add(Part(f"{intake.label} {shown.name}", intake.run, _SOURCE_LIMIT_S))
        for way, post in posts.items():
            supervisor.add(Part(f"post {way}", post.run, _WRITER_LIMIT_S))
        if station.page.port:
            # Who serves no page need not wait for what it is made with.
            from stream.web.page_in_service import PagePart

            page = PagePart(self._file, self._url, store, self._tell)
            supervisor.add(Part("page", page.run, _SOURCE_LIMIT_S))
        self._go_on(store, supervisor, schedule, inbox, status)

    def _go_on(
        self,
        store: Store,
        supervisor: Supervisor,
        schedule: Schedule,
        inbox: Inbox,
        status: Status,
    ) -> None:
        """Run what has been put together until :attr:`stop` is set, and end it."""
        schedule.start()
        notifier = Notifier()
        station = self._file.station.id
        notifier.send("READY=1", f"STATUS=station {station}")
        self._tell("info", "running", station=station, sources=status.names, database=store.shown)
        try:
            self._watch(supervisor, schedule, notifier, status.show)
        finally:
            notifier.send("STOPPING=1")
            schedule.stop()
            supervisor.stop.set()
            inbox.wake()
            end = time.monotonic() + STOP_S
            if supervisor.join(_PATIENT_S) or schedule.join(0.0):
                store.hurry()
            self.left = supervisor.join(end - time.monotonic())
            self.left += schedule.join(end - time.monotonic())
            store.hurry()
            status.say_farewell()
            self._tell("info", "stopped", uncommitted=len(inbox), threads_left=self.left)

    def _parts(self, store: Store, archive: Archive) -> Pipeline:
        """The path of the station; what lies in the archive and is not listed is taken up: the
        database is new, or a backup from before.
        """
        root = self._file.archive
        adopted = adopt(store, self._file.station.id, root)
        for path in adopted.damaged:
            self._tell("critical", "day of the archive damaged and set aside", kept=str(path))
        parts = join(self._file, store)
        taken = 0
        for day in adopted.to_take:
            taken += parts.through(bring, parts, day)
            try:
                archive.throw_away(day.path)
            except StoreError as error:
                # Its records are taken, and are known when the next start finds it again.
                self._tell("warning", "file of the archive cannot be removed", error=str(error))
        for line in parts.told:
            self._tell("critical", "records damaged and set aside", error=line)
        if adopted.days or taken:
            self._tell("warning", "archive adopted", days=adopted.days, records=taken)
        return parts

    def _watch(
        self,
        supervisor: Supervisor,
        schedule: Schedule,
        notifier: Notifier,
        look: Callable[[], None],
    ) -> None:
        fed = 0.0
        while not self.stop.wait(_LOOK_S):
            supervisor.look()
            schedule.look_at_the_clock()
            schedule.look()
            look()
            if notifier.watchdog_s is not None and supervisor.fresh():
                now = time.monotonic()
                if now - fed >= notifier.watchdog_s / 3:
                    notifier.alive()
                    fed = now

    def _serve(self, metrics: Metrics, stack: ExitStack) -> None:
        rules = self._file.station.service
        if not rules.metrics_port:
            return
        try:
            metrics.serve(rules.metrics_host, rules.metrics_port)
            stack.callback(metrics.close)
        except OSError as error:
            self._tell(
                "error", "metrics cannot be served", host=rules.metrics_host,
                port=rules.metrics_port, error=error.strerror,
            )  # fmt: skip


def _names(station: Station) -> list[str]:
    """What sources are called in log, metrics and status: each its own."""
    names = [source.shown_name for source in station.sources]
    return [n if names.count(n) == 1 else f"{n} #{i}" for i, n in enumerate(names)]


def run(file: StationFile, url: str, *, clock_is_right: bool = False) -> None:
    """Run the service until SIGTERM or SIGINT.

    Raises
    ------
    StationFileError
        Settings cannot be right, and the station has no records yet.
    LidstreamError
        It cannot start, or has met something that a restart of the process must mend.
    """
    log = Log()
    allow_many()
    for line in admit(file, url):
        log("warning", "station file", error=line)
    forward = Forward(log)
    logging.getLogger().addHandler(forward)
    service = Service(file, url, log, clock_is_right=clock_is_right)
    try:
        with Ending(service.stop, log, log.flush):
            service.run()
        if service.left:
            log.flush()
            # Python waits for some threads at its own end, however long they take.
            os._exit(0)
    except Hung as error:
        # A thread that hangs cannot be ended from inside: the manager starts us anew, and
        # what was not committed comes again.
        log("critical", "hung; the process ends", error=str(error))
        log.flush()
        os._exit(1)
    except LidstreamError as error:
        log("critical", "ended", error=str(error))
        raise
    finally:
        logging.getLogger().removeHandler(forward)
        log.flush()
