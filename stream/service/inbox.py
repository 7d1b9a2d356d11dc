"""What has come and waits for its commit: filled by many threads, drained by one."""

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from stream.ingest.broker.messages import Message
from stream.ingest.files.folder import Chunk

FEW: Final = 10
MOST: Final = 2000
IDLE_S: Final = 0.02


@dataclass(slots=True)
class Sent:
    """A message of a broker."""

    source: int
    """Index of the source in the station file."""
    message: Message


@dataclass(slots=True)
class Read:
    """Chunks of files; ``done`` is set once they are committed."""

    source: int
    chunks: list[Chunk]
    done: threading.Event = field(default_factory=threading.Event)


@dataclass(slots=True)
class Task:
    """Something that only the thread that writes may do."""

    name: str
    work: Callable[[], None]
    brings: bool = False
    """Whether it may bring something to settle."""


Item = Sent | Read | Task


class Inbox:
    """A queue that gathers messages into one commit.

    A broker stops after so many messages without acknowledgement, and which number that
    is nobody tells. So a burst is committed as soon as it pauses, and single messages
    within ``linger_s``.
    """

    def __init__(self, linger_s: float = 0.5) -> None:
        self._items: deque[Item] = deque()
        self._changed = threading.Condition()
        self._linger_s = linger_s
        self._urgent = 0

    def __len__(self) -> int:
        return len(self._items)

    def put(self, item: Item) -> None:
        """Add an item; never blocks."""
        with self._changed:
            self._items.append(item)
            urgent = not isinstance(item, Sent)
            self._urgent += urgent
            if urgent or len(self._items) in {1, FEW, MOST}:
                self._changed.notify()

    def gather(self, wait_s: float) -> list[Item]:
        """Items for one commit, in the order in which they came; none after ``wait_s``."""
        with self._changed:
            if not self._items:
                self._changed.wait(wait_s)
            until = time.monotonic() + self._linger_s
            while self._items and not self._urgent and len(self._items) < MOST:
                left = until - time.monotonic()
                if left <= 0:
                    break
                count = len(self._items)
                burst = count >= FEW
                self._changed.wait(min(IDLE_S, left) if burst else left)
                if burst and len(self._items) == count:
                    break
            taken = [self._items.popleft() for _ in range(min(MOST, len(self._items)))]
            self._urgent -= sum(not isinstance(item, Sent) for item in taken)
            return taken

    def forget(self, source: int, before_epoch: int) -> None:
        """Let go of messages that the broker sends again on a newer connection."""
        with self._changed:
            self._items = deque(
                item
                for item in self._items
                if not isinstance(item, Sent)
                or item.source != source
                or item.message.epoch >= before_epoch
            )

    def wake(self) -> None:
        """Let :meth:`gather` return at once."""
        with self._changed:
            self._changed.notify_all()
