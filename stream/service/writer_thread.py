"""The one thread that writes: takes what has come, commits it, acknowledges it, settles."""

import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, replace
from typing import Final, TypeVar

from stream.errors import (
    LidstreamError,
    RecordsDamaged,
    StoreDamaged,
    StoreError,
    StoreRefused,
    StoreTaken,
)
from stream.pipeline.mend import Mender
from stream.pipeline.replay import Parts
from stream.records import Batch, refused_batch, rfc3339
from stream.service.arrival import ArrivalWatch
from stream.service.clock import ComputerClock
from stream.service.inbox import Inbox, Item, Read, Sent, Task
from stream.service.metrics import Metrics
from stream.service.settling import SettleWhen
from stream.service.spool import Spool, key_of
from stream.service.state import State
from stream.sources.messages import Decoder, Message
from stream.sources.mqtt import Broker, Tell
from stream.station import MqttSource
from stream.store import Store, WriterLock
from stream.store.changes import Row
from stream.store.compaction import TOGETHER, compact

_LONGEST_WAIT_S: Final = 30.0
_OWN_S: Final = 5.0
"""A server that has lost our connection has let go of our lock: look so often."""
_NOTES_S: Final = 2.0
"""Another process may have written into the field log: look so often."""
T = TypeVar("T")
Piece = tuple[Batch, Sequence[Row]]
"""Records, and how far the file has been read that they came from."""


class Stopped(Exception):
    """The service is to end: leave what is not committed to the broker and the files."""


class WriterThread:
    """Drains the inbox.

    Parameters
    ----------
    parts : Parts
        The path of the station.
    store : Store
        Reopened when it has been away; its small blocks are merged.
    lock : WriterLock
        Renewed when the database has been away.
    inbox : Inbox
    decoders, brokers : mapping of int
        Index of an MQTT source → how its messages are read, and who wants to know.
    mender : Mender
        Takes damaged pieces out of the journal.
    read_again : sequence of callable
        Asks sources for what they still have.
    state, metrics, clock, tell
        Who is told, and whether arrivals can be dated.
    """

    def __init__(
        self,
        parts: Parts,
        store: Store,
        lock: WriterLock,
        inbox: Inbox,
        decoders: dict[int, Decoder],
        brokers: dict[int, Broker],
        mender: Mender,
        read_again: Sequence[Callable[[], None]],
        state: State,
        metrics: Metrics,
        clock: ComputerClock,
        tell: Tell,
    ) -> None:
        self._parts = parts
        self._lock = lock
        self._inbox = inbox
        self._decoders = decoders
        self._brokers = brokers
        self._store = store
        self._mender = mender
        self._read_again = read_again
        self._state = state
        self._metrics = metrics
        self._clock = clock
        self._tell = tell
        self._when = SettleWhen(parts.file.station)
        offset = parts.file.station.service.max_clock_offset_s
        self._arrivals = [ArrivalWatch(offset) for _ in parts.file.station.sources]
        self._in_hand: list[Item] = []
        self._blocks = 0
        self._owned_at = time.monotonic()
        self._noted_at = time.monotonic()
        self._stop = threading.Event()
        self._beat: Callable[[], None] = lambda: None

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        """Work until ``stop`` is set. Started again after a failure, it goes on with what it
        had in hand, one by one.
        """
        self._stop, self._beat = stop, beat
        try:
            if self._in_hand:
                self._try(self._parts.intake.refresh)
            while self._in_hand:
                self._take(self._in_hand[:1], alone=True)
                del self._in_hand[0]
            while not stop.is_set():
                beat()
                self._state.queue = len(self._inbox)
                self._in_hand = self._inbox.gather(self._when.wait_s())
                self._take(self._in_hand)
                self._in_hand = []
                if time.monotonic() - self._noted_at > _NOTES_S:
                    self._look_for_notes()
                if time.monotonic() - self._owned_at > _OWN_S:
                    self._try(self._lock.renew)
                    self._owned_at = time.monotonic()
                if self._when.due(more_waits=len(self._inbox) > 0):
                    self._settle()
        except Stopped:
            return

    def _take(self, items: Sequence[Item], *, alone: bool = False) -> None:
        """Commit items in the order in which they came, messages of one source together."""
        messages: list[Sent] = []
        for item in items:
            if isinstance(item, Sent):
                if messages and messages[0].source != item.source:
                    self._take_messages(messages, alone=alone)
                    messages = []
                messages.append(item)
                continue
            if messages:
                self._take_messages(messages, alone=alone)
                messages = []
            if isinstance(item, Read):
                self._take_pieces(item, alone=alone)
            else:
                self._do(item, alone=alone)
        if messages:
            self._take_messages(messages, alone=alone)

    def _take_messages(self, sent: Sequence[Sent], *, alone: bool) -> None:
        source = sent[0].source
        messages = [s.message for s in sent]
        try:
            batch = self._decoders[source].batch(messages)
            self._keep(source, [(batch, [])], messages[-1].arrived_us)
        except Exception as error:
            if not alone or _would_pass(error):
                raise
            first = messages[0]
            # Kept in quarantine, so that it comes to no end of deliveries.
            batch = refused_batch(first.topic, 0, f"cannot be taken: {_line(error)}", first.payload)
            self._keep(source, [(batch, [])], first.arrived_us)
        self._brokers[source].acknowledge(messages)

    def _take_pieces(self, read: Read, *, alone: bool) -> None:
        now = time.time_ns() // 1000
        pieces: list[Piece] = [
            (batch, [] if at is None else [asdict(at)]) for batch, at in read.pieces
        ]
        if not alone:
            self._keep(read.source, pieces, now)
        for batch, rows in pieces if alone else ():
            try:
                self._keep(read.source, [(batch, rows)], now)
            except Exception as error:
                if _would_pass(error):
                    raise
                line = int(batch.lines[0]) if len(batch) else 0
                reason = f"this piece of the file cannot be taken: {_line(error)}"
                refused = refused_batch(batch.source, line, reason, b"")
                self._keep(read.source, [(refused, rows)], now)
        read.done.set()

    def _keep(self, source: int, pieces: Iterable[Piece], arrived_us: int) -> None:
        """Commit batches of one source, however long the database takes to come back."""
        known = self._parts.intake
        watch, shown = self._arrivals[source], self._state.sources[source]
        looked_at: list[Piece] = []
        for batch, rows in pieces:
            if len(batch):
                self._clock.heard(source, arrived_us, int(batch.times[-1]))
                if watch.is_ahead(batch, arrived_us):
                    self._clock.is_behind(shown.name)
            believed = self._clock.believed
            possible = watch.without_ahead(batch, arrived_us) if believed else batch
            doubt = watch.saw(arrived_us, possible) if believed else None
            if doubt is not None:
                possible = replace(possible, doubts=(*possible.doubts, doubt))
            looked_at.append((possible, rows))
        begun = time.monotonic()
        written = self._try(lambda: known.take_all(looked_at))
        self._metrics.commit_seconds.observe(time.monotonic() - begun)
        shown.clock_offset_s = watch.offset_s
        shown.ahead = watch.mostly_ahead
        for batch, _ in looked_at:
            self._when.saw(batch)
            if len(batch):
                newest = int(batch.times[-1])
                shown.last_record_us = max(shown.last_record_us or newest, newest)
            self._state.records += batch.records
        self._blocks += any(len(batch) for batch, _ in looked_at)
        self._state.commits += 1
        self._state.refused += written["quarantine", "new"]
        if written["quarantine", "new"]:
            refused = next((b for b, _ in looked_at if b.rejects), looked_at[0][0])
            first = refused.rejects[0].reason if refused.rejects else "disagrees with the journal"
            self._tell(
                "warning", "quarantined", source=refused.source,
                lines=written["quarantine", "new"], first=first,
            )  # fmt: skip
        if self._blocks >= TOGETHER:
            self._try(lambda: compact(self._store, self._parts.file.station.id))
            self._blocks = 0

    def _do(self, task: Task, *, alone: bool) -> None:
        """One piece of scheduled work; what fails is tried again at its next turn."""
        try:
            task.work()
        except (StoreDamaged, StoreTaken, Stopped):
            raise
        except RecordsDamaged as error:
            found = error
            self._try(lambda: self._mend(found))
        except StoreError as error:
            self._tell("error", "scheduled work failed", work=task.name, error=str(error))
        except Exception as error:
            if not alone:
                raise
            self._tell("error", "scheduled work failed", work=task.name, error=_line(error))
        self._try(self._parts.intake.refresh)
        if task.brings:
            self._when.expect()

    def take_spool(self, spool: Spool) -> None:
        """Take the messages that were written down while there was no database."""
        sources = self._parts.file.station.sources
        named = {key_of(s): i for i, s in enumerate(sources) if isinstance(s, MqttSource)}
        count = 0
        for name, messages in spool.groups():
            source = named.get(name, next(iter(named.values()), None))
            if source is None:
                self._tell("error", "messages wait for a source of kind mqtt", file=str(spool.path))
                return
            for message, batch in self._decoded(source, messages):
                self._keep(source, [(batch, [])], message.arrived_us)
            count += len(messages)
        if spool.damaged:
            self._tell(
                "error", "lines of the spool are damaged, or were cut off; the file is kept",
                lines=spool.damaged, file=f"{spool.path}.damaged",
            )  # fmt: skip
        spool.clear()
        self._tell("info", "messages taken that had waited on the disk", count=count)

    def _decoded(self, source: int, messages: Sequence[Message]) -> Iterator[tuple[Message, Batch]]:
        """All in one, or one by one where one of them breaks it."""
        try:
            yield messages[-1], self._decoders[source].batch(messages)
        except Exception:
            for message in messages:
                try:
                    batch = self._decoders[source].batch([message])
                except Exception as error:
                    reason = f"cannot be taken: {_line(error)}"
                    batch = refused_batch(message.topic, 0, reason, message.payload)
                yield message, batch

    def _look_for_notes(self) -> None:
        self._noted_at = time.monotonic()
        if self._try(self._parts.log.waiting):
            self._when.expect()

    def _settle(self) -> None:
        begun = time.monotonic()

        def progress(_: float) -> None:
            self._beat()
            if self._stop.is_set():
                raise Stopped

        settled = self._try(lambda: self._parts.settlement.settle(progress=progress))
        self._try(self._parts.intake.refresh)
        took = time.monotonic() - begun
        self._metrics.settle_seconds.observe(took)
        self._when.settled(took)
        self._state.settlements += 1
        self._state.results.update(settled.written)
        if sum(n for (_, how), n in settled.written.items() if how != "same"):
            self._tell("info", "settled", what=settled.sentence(), seconds=round(took, 3))

    def _try(self, work: Callable[[], T]) -> T:
        """Do something with the database; while it is away, wait."""
        wait = 0.5
        damaged: RecordsDamaged | None = None
        while True:
            try:
                if damaged is not None:
                    self._mend(damaged)
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
            self._state.store_trouble = str(failure)
            self._tell("error", "database away", error=str(failure), again_in_s=wait)
            self._pause(wait)
            wait = min(2 * wait, _LONGEST_WAIT_S)
            self._come_back()

    def _mend(self, error: RecordsDamaged) -> None:
        """Set a damaged piece aside, and ask for its records again."""
        found = self._mender.set_aside(error)
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
            self._store.let_go()
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


def _would_pass(error: Exception) -> bool:
    """Whether what failed may succeed another time, so that it is not the item's fault."""
    return isinstance(error, LidstreamError | Stopped) and not isinstance(error, StoreRefused)


def _line(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"
