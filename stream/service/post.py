"""The thread that tells: takes messages that wait, and tries until each is told."""

import threading
import time
from collections.abc import Callable
from typing import Final

from stream.errors import StoreError
from stream.service.ways import NotTold, send
from stream.sources.mqtt import Tell
from stream.station import StationFile
from stream.store.messages import Message, Messages

_LOOK_S: Final = 2.0
_FIRST_WAIT_S: Final = 30.0
_LONGEST_WAIT_S: Final = 3600.0
_KEEP_DAYS: Final = 30


class Post:
    """Sends what is kept; a message is marked as told after it was, so none is lost.

    A crash between the two tells it twice, under the same identifier.
    """

    def __init__(self, file: StationFile, messages: Messages, tell: Tell) -> None:
        self._file = file
        self._messages = messages
        self._tell = tell
        self._swept = 0.0

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        """Look for messages until ``stop`` is set."""
        while not stop.is_set():
            beat()
            try:
                self.look(beat)
            except StoreError as error:
                self._tell("warning", "messages cannot be read", error=str(error))
                stop.wait(10.0)
            stop.wait(_LOOK_S)

    def look(self, beat: Callable[[], None] = lambda: None) -> int:
        """Try every message that is due; how many were told.

        After a way has failed its other messages are left for later, so that a server
        that is away is not asked again and again.
        """
        told = 0
        shut: set[str] = set()
        for message in self._messages.due(time.time_ns() // 1000):
            beat()
            if message.way in shut:
                continue
            if self._try(message):
                told += 1
            else:
                shut.add(message.way)
        if time.monotonic() - self._swept > 3600 or not self._swept:
            self._swept = time.monotonic()
            self._messages.forget(time.time_ns() // 1000 - _KEEP_DAYS * 86_400_000_000)
        return told

    def _try(self, message: Message) -> bool:
        try:
            send(self._file, message)
        except NotTold as error:
            wait = min(_LONGEST_WAIT_S, _FIRST_WAIT_S * 2.0 ** min(message.attempts, 10))
            again = time.time_ns() // 1000 + round(wait * 1e6)
            self._messages.failed(message, str(error), again)
            self._tell(
                "warning", "message not told", message=message.name, way=message.way,
                error=str(error), again_in_s=wait,
            )  # fmt: skip
            return False
        self._messages.sent(message, time.time_ns() // 1000)
        self._tell("info", "message told", message=message.name, way=message.way)
        return True
