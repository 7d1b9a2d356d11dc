"""One thread a source: what it brings goes into the inbox."""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from stream.errors import SourceLost
from stream.service.inbox import Inbox, Read, Sent
from stream.service.state import State
from stream.sources.folder import FolderWatch
from stream.sources.messages import Decoder, Message
from stream.sources.mqtt import Broker, Tell
from stream.sources.position import Position
from stream.station import FolderSource, MqttSource, StationFile, read_clock
from stream.store.readers import Reader

POLL_S: Final = 0.5
_AHEAD: Final = 2
"""Pieces of files that are read before they are committed."""
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

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        """Poll until ``stop`` is set."""
        known = [Position(**row) for row in self._reader.positions()]
        orders = self._reader.date_orders()
        watch = FolderWatch(self._file.station, self._source, self._folder, known, orders)
        wait = POLL_S
        lost = False
        while not stop.is_set():
            beat()
            try:
                self._poll(watch, stop, beat)
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

    def _poll(self, watch: FolderWatch, stop: threading.Event, beat: Callable[[], None]) -> None:
        """Hand over what has come; no more than a few pieces ahead of their commits."""
        waiting: list[Read] = []
        for batch, position in watch.poll():
            piece = Read(self._index, batch, position)
            self._inbox.put(piece)
            waiting.append(piece)
            while len(waiting) >= _AHEAD:
                if not self._committed(waiting.pop(0), stop, beat):
                    return
        for piece in waiting:
            if not self._committed(piece, stop, beat):
                return

    def _committed(self, piece: Read, stop: threading.Event, beat: Callable[[], None]) -> bool:
        while not piece.done.wait(0.2):
            beat()
            if stop.is_set():
                return False
        return True


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
