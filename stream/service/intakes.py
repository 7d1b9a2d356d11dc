"""One thread a source: what it brings goes into the inbox."""

import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from stream.errors import SourceLost
from stream.pipeline.mend import again_mark
from stream.service.inbox import Inbox, Read, Sent
from stream.service.state import State
from stream.sources.folder import FolderWatch, Piece
from stream.sources.messages import Decoder, Message
from stream.sources.mqtt import Broker, Tell
from stream.sources.position import Position
from stream.station import FolderSource, MqttSource, StationFile, read_clock
from stream.store.marks import Marks
from stream.store.readers import Reader

POLL_S: Final = 0.5
_AHEAD: Final = 2
"""Groups of pieces that are read before they are committed."""
_MOST_PIECES: Final = 200
_MOST_ROWS: Final = 50_000
_GATHER_S: Final = 0.25
_LONGEST_WAIT_S: Final = 30.0


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
        """Hand over what has come: many small pieces together, a few groups ahead of their
        commits; whether all of it was committed.
        """
        waiting: deque[Read] = deque()
        for pieces in _groups(watch.poll()):
            read = Read(self._index, pieces)
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


def _groups(pieces: Iterable[Piece]) -> Iterator[list[Piece]]:
    """Pieces for one commit each: so many, so large or so long in coming."""
    group: list[Piece] = []
    rows, begun = 0, 0.0
    for piece in pieces:
        if not group:
            rows, begun = 0, time.monotonic()
        group.append(piece)
        rows += len(piece[0])
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


def show(brokers: dict[int, Broker], state: State) -> None:
    """Bring the state of the brokers up to date."""
    for index, broker in brokers.items():
        state.sources[index].connected = broker.connected
        state.sources[index].unacknowledged = broker.unacknowledged
