"""The one thread that writes: takes what has come, commits it, acknowledges it, settles."""

import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, replace
from typing import Final

from stream.compute.replay import Pipeline
from stream.errors import (
    LidstreamError,
    RecordsDamaged,
    StoreDamaged,
    StoreError,
    StoreRefused,
    StoreTaken,
)
from stream.ingest.arrival import ArrivalWatch, limit_us
from stream.ingest.batches import Batch, refused_batch
from stream.ingest.broker.messages import Decoder, Message
from stream.ingest.broker.mqtt import Broker, Tell
from stream.service.clock import ComputerClock
from stream.service.inbox import Inbox, Item, Read, Sent, Task
from stream.service.process.metrics import Metrics
from stream.service.process.state import State
from stream.service.second_look import take_early
from stream.service.settling import SettleWhen
from stream.service.spool import Spool, key_of
from stream.service.trying import Stopped, Trying
from stream.station import MqttSource
from stream.store import WriterLock
from stream.store.journal.compaction import TOGETHER, compact
from stream.store.journal.early import Early
from stream.store.results.changes import Row

_OWN_S: Final = 5.0
"""A server that has lost our connection has let go of our lock: look so often."""
_NOTES_S: Final = 2.0
"""Another process may have written into the field log: look so often."""
Chunk = tuple[Batch, Sequence[Row]]
"""Records, and how far the file has been read that they came from."""


class WriterThread:
    """Drains the inbox.

    Parameters
    ----------
    parts : Pipeline
        The path of the station; small blocks of its store are merged.
    lock : WriterLock
        Renewed when the database has been away.
    inbox : Inbox
    decoders, brokers : mapping of int
        Index of an MQTT source → how its messages are read, and who wants to know.
    read_again : sequence of callable
        Asks sources for what they still have.
    state, metrics, clock, tell
        Who is told, and whether arrivals can be dated.
    """

    def __init__(
        self,
        parts: Pipeline,
        lock: WriterLock,
        inbox: Inbox,
        decoders: dict[int, Decoder],
        brokers: dict[int, Broker],
        read_again: Sequence[Callable[[], None]],
        state: State,
        metrics: Metrics,
        clock: ComputerClock,
        tell: Tell,
    ) -> None:
        self._parts = parts
        self._trying = Trying(parts, lock, read_again, state, tell)
        self._try = self._trying.until_done
        self._lock = lock
        self._inbox = inbox
        self._decoders = decoders
        self._brokers = brokers
        self._state = state
        self._metrics = metrics
        self._clock = clock
        self._tell = tell
        self._when = SettleWhen(parts.file.station)
        offset = parts.file.station.service.max_clock_offset_s
        self._arrivals = [ArrivalWatch(offset) for _ in parts.file.station.sources]
        self._early = Early(parts.store, parts.file.station.id)
        self._limit_us = limit_us(offset)
        self._in_hand: list[Item] = []
        self._blocks = 0
        self._owned_at = time.monotonic()
        self._noted_at = time.monotonic()

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        """Work until ``stop`` is set. Started again after a failure, it goes on with what it
        had in hand, one by one.
        """
        self._trying.begin(stop, beat)
        try:
            if self._in_hand:
                self._try(self._parts.intake.refresh)
            while self._in_hand:
                self._take(self._in_hand[:1], alone=True)
                del self._in_hand[0]
            self._look_again()
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
                self._take_read(item, alone=alone)
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

    def _take_read(self, read: Read, *, alone: bool) -> None:
        now = time.time_ns() // 1000
        chunks: list[Chunk] = [
            (batch, [] if at is None else [asdict(at)]) for batch, at in read.chunks
        ]
        if not alone:
            self._keep(read.source, chunks, now)
        for batch, rows in chunks if alone else ():
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

    def _keep(self, source: int, chunks: Iterable[Chunk], arrived_us: int) -> None:
        """Commit batches of one source, however long the database takes to come back."""
        known = self._parts.intake
        watch, shown = self._arrivals[source], self._state.sources[source]
        looked_at: list[Chunk] = []
        for batch, rows in chunks:
            if len(batch):
                newest = int(batch.times[-1])
                self._clock.heard(source, arrived_us, newest)
                if watch.is_ahead(batch, arrived_us):
                    self._clock.is_behind(shown.name, arrived_us, newest)
            believed, sure = self._clock.believed, self._clock.confirmed
            possible = watch.without_ahead(batch, arrived_us, sure=sure) if believed else batch
            untrusted = watch.saw(arrived_us, possible) if believed else None
            if untrusted is not None:
                possible = replace(possible, untrusted=(*possible.untrusted, untrusted))
            looked_at.append((possible, rows))
        self._look_again()
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
            self._try(lambda: compact(self._parts.store, self._parts.file.station.id))
            self._blocks = 0

    def _look_again(self) -> None:
        """Take what was refused by a clock that is known by now to have been behind."""
        verdict = self._clock.verdict
        if verdict is None:
            return
        intake = self._parts.intake
        taken = self._try(lambda: take_early(intake, self._early, verdict, self._limit_us))
        self._clock.verdict = None
        if taken:
            self._tell("info", "records taken that a clock behind had refused", rows=taken)
            self._when.expect()

    def _do(self, task: Task, *, alone: bool) -> None:
        """Scheduled work; what fails is tried again at its next turn."""
        try:
            task.work()
        except (StoreDamaged, StoreTaken, Stopped):
            raise
        except RecordsDamaged as error:
            found = error
            self._try(lambda: self._trying.mend(found))
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
        go_on = self._trying.go_on
        settled = self._try(lambda: self._parts.settlement.settle(progress=lambda _: go_on()))
        self._try(self._parts.intake.refresh)
        took = time.monotonic() - begun
        self._metrics.settle_seconds.observe(took)
        self._when.settled(took)
        self._state.settlements += 1
        self._state.results.update(settled.written)
        if sum(n for (_, how), n in settled.written.items() if how != "same"):
            self._tell("info", "settled", what=settled.sentence(), seconds=round(took, 3))


def _would_pass(error: Exception) -> bool:
    """Whether what failed may succeed another time, so that it is not the item's fault."""
    return isinstance(error, LidstreamError | Stopped) and not isinstance(error, StoreRefused)


def _line(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"
