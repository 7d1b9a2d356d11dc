"""The unattended service: started once, left for a season."""

import logging
import os
import signal
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from types import FrameType
from typing import Final

from stream.errors import CommandError, LidstreamError, StoreDamaged, StoreError
from stream.pipeline.bring import bring
from stream.pipeline.clocks import check_clocks
from stream.pipeline.mend import Mender
from stream.pipeline.replay import Parts, join
from stream.pipeline.running import admit
from stream.service.alerting import Alerting
from stream.service.clock import ComputerClock
from stream.service.descriptors import allow_many
from stream.service.inbox import Inbox, Task
from stream.service.intakes import FolderIntake, broker_intake, show
from stream.service.log import Forward, Log
from stream.service.metrics import Metrics
from stream.service.mornings import Mornings
from stream.service.notify import Notifier
from stream.service.post import WAYS, Post
from stream.service.schedule import Schedule
from stream.service.spool import Spool
from stream.service.state import Known, SourceState, State
from stream.service.supervisor import Hung, Part, Supervisor
from stream.service.tables import TableIntake
from stream.service.waiting import Waiting
from stream.service.writer_thread import WriterThread
from stream.sources.mqtt import Tell
from stream.station import FolderSource, MqttSource, Station, StationFile, TablesSource
from stream.store import Store, WriterLock, reach_store
from stream.store.adoption import adopt
from stream.store.archive import Archive
from stream.store.damage import check_intact, set_aside
from stream.store.lock import OneService
from stream.store.marks import Marks
from stream.store.messages import Messages
from stream.store.readers import Reader
from stream.store.scrub import Scrub

STOP_S: Final = 8.0
"""How long threads may take to stop; the manager is told to wait 10 s."""
_LOOK_S: Final = 0.5
_WRITER_LIMIT_S: Final = 300.0
_SOURCE_LIMIT_S: Final = 120.0


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
            posts = {way: Post(self._file, messages, way, self._tell) for way in WAYS}
            state = State(
                self._file.station.id,
                [SourceState(name) for name in _names(self._file.station)],
                store.folder or self._file.path.resolve().parent,
            )
            known = Known(state)
            alerting = Alerting(self._file, store, messages, posts, known.computer, self._tell)
            waiting = Waiting(self._file, state, alerting, posts, self._tell)
            lock = waiting.until(lambda: self._open(store, stack), self.stop)
            if lock is None:
                return
            try:
                self._work(store, lock, stack, known, posts, alerting)
            except StoreDamaged as error:
                # After all that reads has ended, or a new file would be made in its place.
                store.close()
                self._set_aside(error)
                raise

    def _open(self, store: Store, stack: ExitStack) -> WriterLock:
        """Take the lock and bring the database up."""
        try:
            with ExitStack() as attempt:
                lock = attempt.enter_context(self._lock(store))
                self._make_whole(store)
                lock.claim()
                stack.push(attempt.pop_all())
        except StoreError:
            # A file that could not be written was opened for reading only: open it anew.
            store.let_go()
            raise
        return lock

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
        lock: WriterLock,
        stack: ExitStack,
        known: Known,
        posts: Mapping[str, Post],
        alerting: Alerting,
    ) -> None:
        station, state = self._file.station, known.state
        archive = Archive(store, station.id, self._file.archive)
        marks = Marks(store, station.id)
        check_clocks(self._file, store)
        mender = Mender(self._file, store)
        parts = self._parts(store, archive, mender)
        clock = ComputerClock(marks, self._tell, right=self._clock_is_right)
        known.clock = clock
        supervisor = Supervisor(self._tell)
        inbox = Inbox()
        intakes = {
            i: broker_intake(self._file, i, s, inbox, state, self._tell)
            for i, s in enumerate(station.sources)
            if isinstance(s, MqttSource)
        }
        brokers = {i: intake.broker for i, intake in intakes.items()}
        decoders = {i: intake.decoder for i, intake in intakes.items()}
        metrics = Metrics(state, supervisor)
        self._serve(metrics, stack)
        reader = Reader(store, station.id)
        folders = {
            i: FolderIntake(self._file, i, s, reader, inbox, marks, state, self._tell)
            for i, s in enumerate(station.sources)
            if isinstance(s, FolderSource)
        }
        read_again = [f.read_again for f in folders.values()]
        writer = WriterThread(
            parts, store, lock, inbox, decoders, brokers, mender,
            read_again, state, metrics, clock, self._tell,
        )  # fmt: skip
        main = Part("writer", writer.run, _WRITER_LIMIT_S)
        spool = Spool.of(self._file)
        if not spool.is_empty:
            inbox.put(Task("spool", lambda: writer.take_spool(spool), brings=True))

        def say(how: str = "running") -> bytes:
            show(brokers, state)
            status = state.as_json(how)
            for broker in brokers.values():
                broker.say(status)
            return status

        say()
        mornings = Mornings(self._file, store, self._tell)

        schedule = Schedule(
            self._file, archive, Scrub(store, station.id, self._file.archive), reader, inbox,
            state, clock, lambda: parts.intake.latest_us, read_again, say, main.beat, self._tell,
            mornings.look, alerting.look,
        )  # fmt: skip
        supervisor.add(main)
        for i, source in enumerate(station.sources):
            if isinstance(source, FolderSource):
                part = Part(f"folder {state.sources[i].name}", folders[i].run, _SOURCE_LIMIT_S)
            elif isinstance(source, TablesSource):
                tables = TableIntake(
                    self._file, source, parts.hand, inbox, state.sources[i], self._tell
                )
                part = Part(f"tables {state.sources[i].name}", tables.run, _SOURCE_LIMIT_S)
            else:
                part = Part(f"broker {state.sources[i].name}", brokers[i].run, _SOURCE_LIMIT_S)
            supervisor.add(part)
        for way, post in posts.items():
            supervisor.add(Part(f"post {way}", post.run, _WRITER_LIMIT_S))
        if station.page.port:
            # Who serves no page need not wait for what it is made with.
            from stream.service.pages import PagePart

            page = PagePart(self._file, self._url, store, self._tell)
            supervisor.add(Part("page", page.run, _SOURCE_LIMIT_S))
        schedule.start()
        notifier = Notifier()
        notifier.send("READY=1", f"STATUS=station {station.id}")
        names = [source.name for source in state.sources]
        self._tell("info", "running", station=station.id, sources=names, database=store.shown)
        try:
            self._watch(supervisor, schedule, notifier, lambda: show(brokers, state))
        finally:
            notifier.send("STOPPING=1")
            schedule.stop()
            supervisor.stop.set()
            inbox.wake()
            end = time.monotonic() + STOP_S
            left = supervisor.join(STOP_S)
            left += schedule.join(end - time.monotonic())
            farewell = say("stopped")
            for broker in brokers.values():
                broker.close(farewell)
            self._tell("info", "stopped", uncommitted=len(inbox), threads_left=left)

    def _parts(self, store: Store, archive: Archive, mender: Mender) -> Parts:
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
            taken += mender.through(bring, parts, day)
            archive.throw_away(day.path)
        for line in mender.told:
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
    names = [f"{s.host}:{s.port}" if isinstance(s, MqttSource) else s.path for s in station.sources]
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

    def ask_to_stop(number: int, _: FrameType | None) -> None:
        service.stop.set()

    before = {s: signal.signal(s, ask_to_stop) for s in (signal.SIGTERM, signal.SIGINT)}
    try:
        service.run()
    except Hung as error:
        # A thread that hangs cannot be ended from inside: the manager starts us anew, and
        # what was not committed comes again.
        log("critical", "hung; the process ends", error=str(error))
        os._exit(1)
    except LidstreamError as error:
        log("critical", "ended", error=str(error))
        raise
    finally:
        logging.getLogger().removeHandler(forward)
        for number, handler in before.items():
            signal.signal(number, handler)
