"""Whether this computer's clock may be believed."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from stream.errors import StoreError
from stream.ingest.arrival import TOO_FAR_AHEAD_S
from stream.ingest.broker.mqtt import Tell
from stream.store.station_data import SERVICE_LOOK, Marks
from stream.times import DAY, SECOND, rfc3339

_SET_S: Final = 30.0
"""A step of the clock that is told, and after which schedules start anew."""
_JUMP_S: Final = 3600.0
"""A step after which the clock is in doubt."""
_AGREES_S: Final = 1800.0
"""Live records no farther than this from the clock speak for it."""
_AGREE_FOR: Final = 20
"""So many arrivals in a row must agree."""
_LONGEST_REST_US: Final = DAY
"""A computer that was off for longer is not believed before records agree."""
_NEVER_SET_US: Final = 1_767_225_600 * SECOND
"""2026-01-01: a clock that shows less was never set."""


_EVER: Final = 2**62


@dataclass(frozen=True, slots=True)
class Verdict:
    """What turned out about a clock by which records were refused; all times are [µs].

    Attributes
    ----------
    behind_us : int
        By so much it was behind when it showed less than ``before_us``.
    before_us : int
    until_us : int
        No record is from later than this.
    now_right : bool
        Whether what was refused since ``before_us`` was refused with good reason.
    """

    behind_us: int
    before_us: int
    until_us: int
    now_right: bool


class ComputerClock:
    """Compares the wall clock with the monotonic one, and across a restart with the last
    look that was stored.

    After a jump the clock is in doubt until it is back, until live records agree with
    it, or until a person says that it is right.

    Parameters
    ----------
    marks : Marks
        Where the last look is kept.
    tell : callable
        The log.
    right : bool
        A person says that the clock is right.
    wall, steady : callable
        The clocks [s].
    """

    def __init__(
        self,
        marks: Marks,
        tell: Tell,
        *,
        right: bool = False,
        wall: Callable[[], float] | None = None,
        steady: Callable[[], float] | None = None,
    ) -> None:
        self._marks = marks
        self._tell = tell
        self._wall = wall or time.time
        self._steady = steady or _since_start
        self._clocks = self._wall(), self._steady()
        self._off_s = 0.0
        self._moved_s = 0.0
        self._set_us = round(self._clocks[0] * SECOND)
        self.verdict: Verdict | None = None
        """What is to be done about records that were refused by it; who does it clears it."""
        if right:
            now = self._set_us
            self.verdict = Verdict(_EVER, now, now, now_right=False)
        self._agreed: dict[int, int] = {}
        self.confirmed = right
        """Whether records have agreed with it since it was last set."""
        self.doubt = ""
        """Why it is in doubt; empty where it is not."""
        if not right:
            self._compare_with_last_look()

    @property
    def believed(self) -> bool:
        """Whether what it shows may be acted upon."""
        return not self.doubt

    def look(self) -> float:
        """By how much the clock was set since the last look [s], 0 for little."""
        wall, steady = self._wall(), self._steady()
        jump = (wall - self._clocks[0]) - (steady - self._clocks[1])
        self._clocks = wall, steady
        if abs(jump) < _SET_S:
            return 0.0
        self._tell("warning", "this computer's clock was set", by_s=round(jump, 1))
        self.confirmed = False
        self._agreed.clear()
        self._off_s += jump
        self._moved_s += jump
        self._set_us = round(wall * SECOND)
        if abs(self._off_s) < _JUMP_S:
            if self.doubt:
                self._believe("it is back")
        elif not self.doubt:
            before = rfc3339(round((wall - jump) * SECOND))
            self._doubt(f"it jumped from {before} to {rfc3339(round(wall * SECOND))}")
        return jump

    def heard(self, source: int, arrived_us: int, newest_us: int) -> None:
        """Take note of a live record's time. One that is late says nothing: links fill gaps,
        and some loggers bring an hour at a time; one that is ahead speaks against the clock.
        """
        late_s = (arrived_us - newest_us) / SECOND
        if late_s > _AGREES_S:
            return
        good = late_s >= -TOO_FAR_AHEAD_S  # or it would be confirmed by what it refuses
        self._agreed[source] = self._agreed.get(source, 0) + 1 if good else 0
        if self._agreed[source] >= _AGREE_FOR:
            if not self.confirmed:
                behind = round(self._moved_s * SECOND)
                self.verdict = Verdict(behind, self._set_us, _EVER, now_right=True)
                self._moved_s = 0.0
            self._off_s, self.confirmed = 0.0, True
            if self.doubt:
                self._believe("records agree with it")

    def is_behind(self, source: str, arrived_us: int, newest_us: int) -> None:
        """Records of a source are ahead of it, and nothing has confirmed it yet: after a power
        cut a clock without a battery goes on from where it stopped.
        """
        if not self.doubt and not self.confirmed:
            behind = newest_us - arrived_us
            self.verdict = Verdict(behind, arrived_us + 1, _EVER, now_right=False)
            self._doubt(f"records of {source} are dated after it, and it may be behind")

    def keep(self) -> None:
        """Store that the service looked at the clock now; not while it is in doubt."""
        if self.doubt:
            return
        try:
            self._marks.put(SERVICE_LOOK, str(round(self._wall() * SECOND)))
        except StoreError as error:
            self._tell("warning", "the clock's last look cannot be stored", error=str(error))

    def _compare_with_last_look(self) -> None:
        now_us = round(self._clocks[0] * SECOND)
        try:
            kept = int(self._marks.get(SERVICE_LOOK) or "")
        except (StoreError, ValueError):
            kept = None  # never stored, or no longer readable
        if now_us < _NEVER_SET_US:
            self._doubt(f"it shows {rfc3339(now_us)}: it was never set")
        elif kept is not None:
            last = kept
            if now_us < last - round(_JUMP_S * SECOND) or now_us > last + _LONGEST_REST_US:
                self._doubt(f"it shows {rfc3339(now_us)}, and {rfc3339(last)} when last looked at")

    def _doubt(self, why: str) -> None:
        self.doubt = why
        self._agreed.clear()
        self._tell(
            "error", "this computer's clock is in doubt", why=why,
            held="retention, summaries, alerts about missing records",
        )  # fmt: skip

    def _believe(self, why: str) -> None:
        self.doubt = ""
        self._tell("info", "this computer's clock is believed again", why=why)


def _since_start() -> float:
    """Time since this computer was started [s], sleep included: waking up is no jump."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()
