"""The threads that tell, one for each way: take messages that wait, and try until each is told."""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from stream.alerts.ways import NotTold, send
from stream.errors import StoreError
from stream.ingest.broker.mqtt import Tell
from stream.station import StationFile
from stream.store.messages import Message, Messages
from stream.times import DAY

WAYS: Final = ("mail", "mqtt", "webhook")
_LOOK_S: Final = 2.0
_FIRST_WAIT_S: Final = 30.0
_LONGEST_WAIT_S: Final = 3600.0
_KEEP_US: Final = 30 * DAY


@dataclass(slots=True)
class _Held:
    """A message that the database could not keep."""

    message: Message
    again_at: float = 0.0
    attempts: int = 0
    told: bool = False


class Outbox:
    """Sends what is kept for one way; a slow way holds up no other.

    A message is marked as told after it was, so none is lost; a crash between the two
    tells it twice, under the same identifier.

    Parameters
    ----------
    file : StationFile
    messages : Messages
    way : str
        One of ``WAYS``.
    tell : callable
        The log.
    """

    def __init__(self, file: StationFile, messages: Messages, way: str, tell: Tell) -> None:
        self._file = file
        self._messages = messages
        self._way = way
        self._tell = tell
        self._swept = 0.0
        self._away = False
        self._held: dict[str, _Held] = {}
        self._lock = threading.Lock()

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        """Look for messages until ``stop`` is set."""
        while not stop.is_set():
            beat()
            try:
                self.look(beat)
                self._away = False
            except StoreError as error:
                if not self._away:
                    self._tell(
                        "warning", "messages cannot be read", way=self._way, error=str(error)
                    )
                self._away = True
                stop.wait(_LOOK_S)
            stop.wait(_LOOK_S)

    def hold(self, message: Message) -> None:
        """Tell a message from memory, since the database cannot keep it."""
        with self._lock:
            self._held.setdefault(message.name, _Held(message))

    def hand_back(self, name: str) -> bool:
        """Let go of a message that the database keeps now; whether it was told."""
        with self._lock:
            held = self._held.pop(name, None)
            return held is not None and held.told

    def look(self, beat: Callable[[], None] = lambda: None) -> int:
        """Try every message that is due; how many were told.

        After one has failed the others are left for later, so that a server that is
        away is not asked again and again.
        """
        told = self._tell_held(beat)
        now = time.time_ns() // 1000
        for message in self._messages.due(now, self._way):
            beat()
            if not self._try(message):
                break
            told += 1
        if time.monotonic() - self._swept > 3600 or not self._swept:
            self._swept = time.monotonic()
            self._messages.forget(now - _KEEP_US)
        return told

    def _tell_held(self, beat: Callable[[], None]) -> int:
        with self._lock:
            waiting = [h for h in self._held.values() if not h.told]
        told, now = 0, time.time_ns() // 1000
        for held in waiting:
            beat()
            if held.again_at > time.monotonic() or held.message.not_before_us > now:
                continue
            error = self._failure(held.message)
            if error is not None:
                wait = _wait_s(held.attempts)
                held.attempts += 1
                held.again_at = time.monotonic() + wait
                self._complain(held.message, error, wait)
                break
            held.told = True
            told += 1
        return told

    def _try(self, message: Message) -> bool:
        error = self._failure(message)
        if error is None:
            self._messages.sent(message, time.time_ns() // 1000)
            return True
        wait = _wait_s(message.attempts)
        self._messages.failed(message, error, time.time_ns() // 1000 + round(wait * 1e6))
        self._complain(message, error, wait)
        return False

    def _failure(self, message: Message) -> str | None:
        """Send it; why it could not be sent, if so."""
        try:
            send(self._file, message)
        except NotTold as error:
            return str(error)
        self._tell("info", "message told", message=message.name, way=message.way)
        return None

    def _complain(self, message: Message, error: str, wait: float) -> None:
        self._tell(
            "warning", "message not told", message=message.name, way=message.way,
            error=error, again_in_s=wait,
        )  # fmt: skip


def _wait_s(attempts: int) -> float:
    return float(min(_LONGEST_WAIT_S, _FIRST_WAIT_S * 2.0 ** min(attempts, 10)))
