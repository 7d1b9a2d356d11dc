"""One thread a source: what it brings goes into the inbox."""

import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from stream.compute.mend import again_mark
from stream.errors import SourceLost
from stream.ingest.broker.messages import Decoder, Message
from stream.ingest.broker.mqtt import Broker, Tell
from stream.ingest.files.folder import Chunk, FolderWatch
from stream.ingest.files.position import Position
from stream.manual.intake import ManualIntake
from stream.service.inbox import Inbox, Read, Sent
from stream.service.process.state import State
from stream.service.tables import TableIntake
from stream.station import FolderSource, MqttSource, StationFile, TablesSource, read_clock
from stream.store.results.readers import Reader
from stream.store.station_data import Marks

POLL_S: Final = 0.5
_AHEAD: Final = 2
"""Groups of chunks that are read before they are committed."""
_MOST_PIECES: Final = 200
_MOST_ROWS: Final = 50_000
_GATHER_S: Final = 0.25
_LONGEST_WAIT_S: Final = 30.0


@dataclass(frozen=True, slots=True)
class Wiring:
    """What intakes need of the service.

    Attributes
    ----------
    manual : ManualIntake
        Takes tables that people bring.
    """

    file: StationFile
    reader: Reader
    manual: ManualIntake
    inbox: Inbox
    marks: Marks
    state: State
    tell: Tell


@dataclass(frozen=True, slots=True)
class Intake:
    """What runs for a source.

    Attributes
    ----------
    label : str
        What kind of source it is, in the names of threads.
    run : callable
        ``run(stop, beat)``: its thread.
    read_again : callable or None
        Takes everything from the beginning once more, where the source still has it.
    of_broker : BrokerIntake or None
    """

    label: str
    run: Callable[[threading.Event, Callable[[], None]], None]
    read_again: Callable[[], None] | None = None
    of_broker: "BrokerIntake | None" = None


class FolderIntake:
    """Reads one watched folder."""

    def __init__(
        self,
        file: StationFile,
        index: int,
        source: FolderSource,
        reader: Reader,
        inbox: Inbox,
        marks: Marks,
        state: State,
        tell: Tell,
    ) -> None:
        self._file = file
        self._index = index
        self._source = source
        self._folder = file.beside(source.path)
        self._reader = reader
        self._inbox = inbox
        self._shown = state.sources[index]
        self._tell = tell
        self._marks = marks
        self._mark = again_mark(source)
        self._again = threading.Event()

    def read_again(self) -> None:
        """Take every file from its beginning once more: records that are known already
        change nothing.
        """
        self._again.set()

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        """Poll until ``stop`` is set."""
        again = bool(self._marks.get(self._mark))
        watch = self._watch(again=again)
        wait = POLL_S
        lost = False
        while not stop.is_set():
            beat()
            if self._again.is_set():
                self._again.clear()
                again, watch = True, self._watch(again=True)
            try:
                if self._poll(watch, stop, beat) and again and not self._again.is_set():
                    self._marks.put(self._mark, "")
                    again = False
                self._shown.waiting_bytes = watch.waiting_bytes
            except SourceLost as error:
                self._shown.connected = False
                self._tell("warning", "folder away", error=str(error))
                lost, wait = True, min(2 * wait, _LONGEST_WAIT_S)
            else:
                if lost:
                    self._tell("info", "folder is back", folder=str(self._folder))
                self._shown.connected = True
                lost, wait = False, POLL_S
            stop.wait(wait)

    def _watch(self, *, again: bool) -> FolderWatch:
        known = [] if again else [Position(**row) for row in self._reader.positions()]
        orders = self._reader.date_orders()
        return FolderWatch(self._file.station, self._source, self._folder, known, orders)

    def _poll(self, watch: FolderWatch, stop: threading.Event, beat: Callable[[], None]) -> bool:
        """Hand over what has come: many small chunks together, a few groups ahead of their
        commits; whether all of it was committed.
        """
        waiting: deque[Read] = deque()
        for chunks in _groups(watch.poll()):
            read = Read(self._index, chunks)
            self._inbox.put(read)
            waiting.append(read)
            while len(waiting) >= _AHEAD:
                if not self._committed(waiting.popleft(), stop, beat):
                    return False
        return all(self._committed(read, stop, beat) for read in waiting)

    def _committed(self, read: Read, stop: threading.Event, beat: Callable[[], None]) -> bool:
        while not read.done.wait(0.2):
            beat()
            if stop.is_set():
                return False
        return True


def _groups(chunks: Iterable[Chunk]) -> Iterator[list[Chunk]]:
    """Chunks for one commit each: so many, so large or so long in coming."""
    group: list[Chunk] = []
    rows, begun = 0, 0.0
    for chunk in chunks:
        if not group:
            rows, begun = 0, time.monotonic()
        group.append(chunk)
        rows += len(chunk[0])
        late = time.monotonic() - begun > _GATHER_S
        if late or rows >= _MOST_ROWS or len(group) >= _MOST_PIECES:
            yield group
            group = []
    if group:
        yield group


@dataclass(frozen=True, slots=True)
class BrokerIntake:
    """One broker: its connection, and how its messages are read."""

    broker: Broker
    decoder: Decoder


def broker_intake(
    file: StationFile, index: int, source: MqttSource, inbox: Inbox, state: State, tell: Tell
) -> BrokerIntake:
    """Put together what a broker needs.

    Raises
    ------
    StationFileError
        Its password cannot be read.
    """
    station = file.station

    def deliver(message: Message) -> None:
        inbox.put(Sent(index, message))

    def beside(path: str | None) -> Path | None:
        return None if path is None else file.beside(path)

    broker = Broker(
        source,
        source.client_id or f"lidstream-{station.id}-{index}",
        password=file.password_of(source),
        files=(
            beside(source.ca_file),
            beside(source.certificate_file),
            beside(source.key_file),
        ),
        status_topic=source.status_topic or f"lidstream/{station.id}/status",
        last_will=state.as_json("vanished"),
        deliver=deliver,
        forget=lambda epoch: inbox.forget(index, epoch),
        tell=tell,
    )
    decoder = Decoder(
        broker.name,
        {name: c.unit for name, c in station.channels.items()},
        source.payload,
        source.time_column,
        read_clock(source.clock or station.station.clock),
        source.max_payload_bytes,
    )
    return BrokerIntake(broker, decoder)


@dataclass(frozen=True, slots=True)
class Status:
    """How the brokers do, and what they are told of the service."""

    state: State
    brokers: Mapping[int, Broker]

    @property
    def names(self) -> list[str]:
        """Of all sources."""
        return [source.name for source in self.state.sources]

    def show(self) -> None:
        """Bring the state of the brokers up to date."""
        for index, broker in self.brokers.items():
            self.state.sources[index].connected = broker.connected
            self.state.sources[index].unacknowledged = broker.unacknowledged

    def say(self, how: str = "running") -> bytes:
        """Tell every broker, and return what was told."""
        self.show()
        told = self.state.as_json(how)
        for broker in self.brokers.values():
            broker.say(told)
        return told

    def say_farewell(self) -> None:
        """The last that they hear."""
        farewell = self.say("stopped")
        for broker in self.brokers.values():
            broker.close(farewell)


def _of_folder(wiring: Wiring, index: int, source: FolderSource) -> Intake:
    intake = FolderIntake(
        wiring.file, index, source, wiring.reader, wiring.inbox, wiring.marks, wiring.state,
        wiring.tell,
    )  # fmt: skip
    return Intake("folder", intake.run, intake.read_again)


def _of_broker(wiring: Wiring, index: int, source: MqttSource) -> Intake:
    intake = broker_intake(wiring.file, index, source, wiring.inbox, wiring.state, wiring.tell)
    return Intake("broker", intake.broker.run, of_broker=intake)


def _of_tables(wiring: Wiring, index: int, source: TablesSource) -> Intake:
    shown = wiring.state.sources[index]
    intake = TableIntake(wiring.file, source, wiring.manual, wiring.inbox, shown, wiring.tell)
    return Intake("tables", intake.run)


INTAKES: Final[dict[type, Callable[[Wiring, int, Any], Intake]]] = {
    FolderSource: _of_folder,
    MqttSource: _of_broker,
    TablesSource: _of_tables,
}
"""Kind of source → what runs for it."""


def intake_of(wiring: Wiring, index: int) -> Intake:
    """What runs for one source of the station."""
    source = wiring.file.station.sources[index]
    return INTAKES[type(source)](wiring, index, source)
