"""The log: lines for people on a terminal, JSON elsewhere, and no event more often than
somebody could read it.
"""

import logging
import sys
import threading
import time
from collections.abc import MutableMapping
from typing import Any, Final, TextIO

import structlog

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


class Log:
    """Says what happens; safe from any thread."""

    def __init__(self, stream: TextIO | None = None) -> None:
        out = stream or sys.stderr
        render: Any = (
            structlog.dev.ConsoleRenderer(colors=True)
            if out.isatty()
            else structlog.processors.JSONRenderer(ensure_ascii=False, default=str)
        )
        self._log = structlog.wrap_logger(
            structlog.PrintLogger(out),
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


class Forward(logging.Handler):
    """Takes what libraries log into the same log."""

    def __init__(self, log: Log) -> None:
        super().__init__(logging.WARNING)
        self._told = log

    def emit(self, record: logging.LogRecord) -> None:
        """One record of the standard library's logging."""
        level = "error" if record.levelno >= logging.ERROR else "warning"
        self._told(level, f"{record.name}: {record.getMessage()}")
