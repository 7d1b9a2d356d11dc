"""The log: lines for people on a terminal, JSON elsewhere, and no event more often than
somebody could read it.
"""

import contextlib
import logging
import os
import queue
import sys
import threading
import time
from collections.abc import Callable, MutableMapping
from typing import Any, Final, TextIO

import structlog

_MOST_WAITING: Final = 10_000
_FLUSH_S: Final = 0.5
PER_MINUTE: Final = 20
"""Lines of one event in a minute; then one line says how many were left out."""


class RateLimit:
    """Drops what repeats itself, and says how much was dropped."""

    def __init__(self, per_minute: int = PER_MINUTE) -> None:
        self._per_minute = per_minute
        self._lock = threading.Lock()
        self._counts: dict[str, tuple[float, int]] = {}

    def __call__(
        self, _logger: Any, _level: str, event: MutableMapping[str, Any]
    ) -> MutableMapping[str, Any]:
        """Pass an event on, or drop it."""
        key, now = str(event.get("event")), time.monotonic()
        with self._lock:
            since, count = self._counts.get(key, (now, 0))
            if now - since >= 60:
                if count > self._per_minute:
                    event["left_out"] = count - self._per_minute
                since, count = now, 0
            self._counts[key] = since, count + 1
            if count >= self._per_minute:
                raise structlog.DropEvent
        return event


class Outlet:
    """Writes lines in a thread of its own: whoever reads them may have gone, or have stopped
    reading, and none of that may hold up or end what is told of.

    Parameters
    ----------
    stream : TextIO or None
        None: there is nobody to read.
    """

    def __init__(self, stream: TextIO | None) -> None:
        self._lines: queue.Queue[str] = queue.Queue(_MOST_WAITING)
        self._lost = 0
        self._write = _writer_to(stream)
        threading.Thread(target=self._run, name="log", daemon=True).start()

    def say(self, line: str) -> None:
        """One line; lost where too many wait."""
        try:
            self._lines.put_nowait(line)
        except queue.Full:
            self._lost += 1

    debug = info = warning = error = critical = say

    def flush(self, seconds: float) -> None:
        """Wait until all has been written, for so long at most."""
        until = time.monotonic() + seconds
        while self._lines.unfinished_tasks and time.monotonic() < until:
            time.sleep(0.01)

    def _run(self) -> None:
        while True:
            line = self._lines.get()
            # A pipe that nobody reads, a full disk: the next line may be luckier.
            with contextlib.suppress(OSError, ValueError):
                if self._lost:
                    lost, self._lost = self._lost, 0
                    self._write(f'{{"event": "{lost} lines of the log were lost"}}\n')
                self._write(line + "\n")
            self._lines.task_done()


def _writer_to(stream: TextIO | None) -> Callable[[str], object]:
    if stream is None:
        return lambda _: None
    try:
        number = stream.fileno()
    except (OSError, ValueError):
        return stream.write

    def write(text: str) -> None:
        # Past the stream's buffer, which would keep what could not be written.
        content = text.encode("utf-8", "backslashreplace")
        while content:
            content = content[os.write(number, content) :]

    return write


class Log:
    """Says what happens; safe from any thread."""

    def __init__(self, stream: TextIO | None = None) -> None:
        out = stream or sys.stderr
        self._outlet = Outlet(out)
        render: Any = (
            structlog.dev.ConsoleRenderer(colors=True)
            if out is not None and out.isatty()
            else structlog.processors.JSONRenderer(ensure_ascii=False, default=str)
        )
        self._log = structlog.wrap_logger(
            self._outlet,
            processors=[
                RateLimit(),
                structlog.processors.add_log_level,
                structlog.processors.TimeStamper(fmt="iso", utc=True),
                render,
            ],
        )

    def __call__(self, level: str, event: str, **details: Any) -> None:
        """One line: ``level`` is ``info``, ``warning``, ``error`` or ``critical``."""
        getattr(self._log, level)(event, **details)

    def flush(self) -> None:
        """Wait a moment for what is not written yet: the process ends."""
        self._outlet.flush(_FLUSH_S)


class Forward(logging.Handler):
    """Takes what libraries log into the same log."""

    def __init__(self, log: Log) -> None:
        super().__init__(logging.WARNING)
        self._told = log

    def emit(self, record: logging.LogRecord) -> None:
        """One record of the standard library's logging."""
        level = "error" if record.levelno >= logging.ERROR else "warning"
        self._told(level, f"{record.name}: {record.getMessage()}")
