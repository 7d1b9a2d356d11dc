"""How the station is, as the log, the metrics and the status topic tell it."""

import json
import shutil
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stream import __version__
from stream.alerts.conditions import Computer
from stream.service.clock import ComputerClock
from stream.times import SECOND, rfc3339


@dataclass(slots=True)
class SourceState:
    """One source."""

    name: str
    connected: bool = False
    last_record_us: int | None = None
    clock_offset_s: float = float("nan")
    unacknowledged: int = 0
    waiting_bytes: int = 0
    ahead: bool = False
    """Whether most of its records are dated after their arrival."""

    def age_s(self) -> float:
        """Time since the newest record [s]; NaN before the first."""
        if self.last_record_us is None:
            return float("nan")
        return time.time() - self.last_record_us / SECOND


@dataclass(slots=True)
class State:
    """The whole station."""

    station: str
    sources: list[SourceState]
    disk: Path
    """A folder on the disk that may fill up."""
    store_trouble: str | None = None
    records: int = 0
    commits: int = 0
    refused: int = 0
    queue: int = 0
    settlements: int = 0
    results: Counter[tuple[str, str]] = field(default_factory=Counter)
    """(what, how) → number, as the writer counts them."""
    recent: Counter[tuple[str, str]] = field(default_factory=Counter)
    """(chamber, flag) → closures of the last day that bear it; flag "" counts all."""

    def newest_us(self) -> int | None:
        """Newest record of all sources since the start [µs]."""
        times = [s.last_record_us for s in self.sources if s.last_record_us is not None]
        return max(times, default=None)

    def free_mb(self) -> float:
        """Free space where the database lies [MB]; NaN where that cannot be told."""
        try:
            return shutil.disk_usage(self.disk).free / 1e6
        except OSError:
            return float("nan")

    def as_json(self, state: str) -> bytes:
        """The status message: for people and for other programs."""
        content: dict[str, Any] = {
            "station": self.station,
            "state": state,
            "at": rfc3339(time.time_ns() // 1000 // SECOND * SECOND),
            "version": __version__,
        }
        if state not in {"vanished"}:
            content |= {
                "store": self.store_trouble or "good",
                "records": self.records,
                "refused": self.refused,
                "queue": self.queue,
                "free_mb": _number(self.free_mb()),
                "sources": {
                    s.name: {
                        "connected": s.connected,
                        "last_record": None
                        if s.last_record_us is None
                        else rfc3339(s.last_record_us),
                        "unacknowledged": s.unacknowledged,
                        "clock_offset_s": _number(s.clock_offset_s),
                    }
                    for s in self.sources
                },
            }
        return json.dumps(content, ensure_ascii=False).encode()


@dataclass(slots=True)
class Known:
    """What alerts are told of this computer."""

    state: State
    clock: ComputerClock | None = None
    """None before the database could be opened."""

    def computer(self) -> Computer:
        """As it is now."""
        doubt = self.clock.doubt if self.clock else ""
        ahead = {s.name: s.ahead for s in self.state.sources}
        return Computer(self.state.free_mb(), doubt, self.state.store_trouble or "", ahead)


def _number(value: float) -> float | None:
    return None if value != value else round(value, 1)
