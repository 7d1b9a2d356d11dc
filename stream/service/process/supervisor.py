"""Threads that are watched: one that dies starts again, one that hangs ends the process."""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from stream.errors import LidstreamError, StoreDamaged, StoreTaken
from stream.ingest.broker.mqtt import Tell

_LONGEST_WAIT_S: Final = 60.0
_QUIET_S: Final = 300.0
"""A thread that ran for so long has recovered."""


@dataclass(slots=True)
class Part:
    """One supervised thread.

    Attributes
    ----------
    name : str
    work : callable
        ``work(stop, beat)``: runs until ``stop`` is set, and calls ``beat`` more often
        than every ``limit_s``.
    limit_s : float
        A silence longer than this is a hang.
    """

    name: str
    work: Callable[[threading.Event, Callable[[], None]], None]
    limit_s: float = 60.0
    heard: float = field(default_factory=time.monotonic)
    started: float = 0.0
    wait_s: float = 1.0
    again_at: float | None = None
    restarts: int = 0
    thread: threading.Thread | None = None
    failure: BaseException | None = None

    def beat(self) -> None:
        """Say that the thread is alive."""
        self.heard = time.monotonic()


class Hung(Exception):
    """A thread has not been heard of; only a new process can replace it."""


class Supervisor:
    """Starts the parts and looks after them."""

    def __init__(self, tell: Tell) -> None:
        self.stop = threading.Event()
        self.parts: list[Part] = []
        self._tell = tell

    def add(self, part: Part) -> None:
        """Start a part."""
        self.parts.append(part)
        self._start(part)

    def look(self) -> None:
        """Restart what has died.

        Raises
        ------
        Hung
            A part has not been heard of for longer than it may.
        LidstreamError
            A part has met something that a restart cannot mend.
        """
        now = time.monotonic()
        for part in self.parts:
            if part.thread is not None and part.thread.is_alive():
                if now - part.heard > part.limit_s:
                    raise Hung(f"{part.name} has not been heard of for {now - part.heard:.0f} s")
                continue
            taken = isinstance(part.failure, StoreTaken) and part.name == "writer"
            if part.failure is not None and (taken or isinstance(part.failure, StoreDamaged)):
                raise part.failure
            if self.stop.is_set():
                continue
            if part.again_at is None:
                if part.started and now - part.started > _QUIET_S:
                    part.wait_s = 1.0
                part.again_at = now + part.wait_s
                self._tell(
                    "error", "thread ended", thread=part.name, error=_line(part.failure),
                    again_in_s=part.wait_s,
                )  # fmt: skip
                part.wait_s = min(2 * part.wait_s, _LONGEST_WAIT_S)
            elif now >= part.again_at:
                part.restarts += 1
                self._start(part)

    def fresh(self) -> bool:
        """Whether every part has been heard of in time."""
        now = time.monotonic()
        return all(now - p.heard <= p.limit_s for p in self.parts if p.again_at is None)

    def join(self, seconds: float) -> list[str]:
        """Wait for all parts to end; the names of those that did not."""
        until = time.monotonic() + seconds
        for part in self.parts:
            if part.thread is not None:
                part.thread.join(max(0.0, until - time.monotonic()))
        return [p.name for p in self.parts if p.thread is not None and p.thread.is_alive()]

    def _start(self, part: Part) -> None:
        part.again_at = None
        part.failure = None
        part.started = time.monotonic()
        part.beat()
        part.thread = threading.Thread(target=self._run, args=(part,), name=part.name, daemon=True)
        part.thread.start()

    def _run(self, part: Part) -> None:
        try:
            part.work(self.stop, part.beat)
        except BaseException as error:
            part.failure = error


def _line(error: BaseException | None) -> str:
    if error is None:
        return "it returned"
    text = str(error).splitlines()[0] if str(error) else ""
    return text if isinstance(error, LidstreamError) else f"{type(error).__name__}: {text}"
