"""Work that comes round: health, alerts and the morning summary, looked at every minute, and
the archive every hour.
"""

import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler

from stream.errors import RecordsDamaged, StoreError
from stream.ingest.broker.mqtt import Tell
from stream.service.clock import ComputerClock
from stream.service.inbox import Inbox, Task
from stream.service.process.state import State
from stream.station import StationFile
from stream.store.journal.archive import Archive
from stream.store.journal.scrub import Scrub
from stream.store.results.readers import Period, Reader
from stream.store.results.settled_months import SettledMonths
from stream.times import DAY

HEALTH_S: Final = 60.0
ARCHIVE_S: Final = 3600.0
SCRUB_S: Final = 600.0
_SCRUB_FOR_S: Final = 1.0
MOST_REMOVED: Final = 7
"""Days that one look removes at most."""
TRASH_DAYS: Final = 30
"""How long removed files wait before they are deleted."""
_SILENT_S: Final = 5 * HEALTH_S


class Schedule:
    """Runs jobs by the clock, and is not misled when the clock is set."""

    def __init__(
        self,
        file: StationFile,
        archive: Archive,
        months: SettledMonths,
        scrub: Scrub,
        reader: Reader,
        inbox: Inbox,
        state: State,
        clock: ComputerClock,
        newest_us: Callable[[], int | None],
        read_again: Sequence[Callable[[], None]],
        say: Callable[[], object],
        beat: Callable[[], None],
        tell: Tell,
        mornings: Callable[[], object],
        alerts: Callable[[], object],
    ) -> None:
        self._file = file
        self._jobs = (
            ("health", self.health, HEALTH_S),
            ("archive", self.archive, ARCHIVE_S),
            ("scrub", self.scrub, SCRUB_S),
            ("summary", self.summary, HEALTH_S),
            ("alerts", alerts, HEALTH_S),
        )
        self._archive = archive
        self._months = months
        self._scrub = scrub
        self._reader = reader
        self._inbox = inbox
        self._state = state
        self._clock = clock
        self._newest_us = newest_us
        self._read_again = read_again
        self._mornings = mornings
        self._say = say
        self._beat = beat
        self._tell = tell
        self._disk_low = False
        self._changed = ""
        self._scheduler = _scheduler()
        self._ending: threading.Thread | None = None
        self._heard = time.monotonic()

    def start(self) -> None:
        """Begin; each job runs at once, and then by its interval."""
        now = datetime.now(UTC)
        for name, work, seconds in self._jobs:
            self._scheduler.add_job(
                work, "interval", seconds=seconds, id=name, next_run_time=now + timedelta(seconds=1)
            )
        self._scheduler.start()

    def stop(self) -> None:
        """Begin no more jobs; see :meth:`join` for the one that runs."""
        if self._scheduler.running:
            # Its own wait has no limit, therefore in a thread.
            self._ending = threading.Thread(target=self._scheduler.shutdown, daemon=True)
            self._ending.start()

    def join(self, seconds: float) -> list[str]:
        """Wait for the jobs that run; what has not ended in time, by name.

        One that reads on after the store is closed would open it again.
        """
        if self._ending is not None:
            self._ending.join(max(seconds, 0.0))
            if self._ending.is_alive():
                return ["schedule"]
        return []

    def look_at_the_clock(self) -> None:
        """Let jobs follow this computer's clock where it was set."""
        jump = self._clock.look()
        if jump > 0:
            # What was refused as ahead may be due by now.
            for ask in self._read_again:
                ask()
        if jump:
            for job in self._scheduler.get_jobs():
                job.modify(next_run_time=datetime.now(UTC))

    def look(self) -> None:
        """Start the scheduler anew if nothing has been heard of it for a while."""
        if time.monotonic() - self._heard > _SILENT_S:
            self._tell("error", "schedule silent; it is started anew")
            self.stop()
            self._scheduler = _scheduler()
            self.start()
            self._heard = time.monotonic()

    def health(self) -> None:
        """Disk, flags of the last day, and the status for those who listen."""
        self._heard = time.monotonic()
        rules = self._file.station.service
        free = self._state.free_mb()
        low = free < rules.min_free_mb
        if low:
            self._tell(
                "error", "disk nearly full", free_mb=round(free), folder=str(self._state.disk)
            )
        elif self._disk_low:
            self._tell("info", "disk has room again", free_mb=round(free))
        self._disk_low = low
        self._clock.keep()
        changed = self._file.changed
        if changed and changed != self._changed:
            self._tell("warning", "station file changed", note=changed)
        self._changed = changed
        try:
            self._state.recent = self._count_flags()
        except StoreError as error:
            self._tell("warning", "flags cannot be counted", error=str(error))
        self._say()

    def summary(self) -> None:
        """Sum up the days that are over, where the clock can tell that."""
        if not self._clock.believed:
            return
        try:
            self._mornings()
        except RecordsDamaged as error:
            found = error

            def mend() -> None:
                raise found

            # The writer sets it aside, and the next look sums up.
            self._inbox.put(Task("mend", mend))

    def archive(self) -> None:
        """Ask the writer to move old days into the archive, and to end their retention."""
        self._inbox.put(Task("archive", self._keep))

    def scrub(self) -> None:
        """Ask the writer to look whether what is stored is still as it was."""
        self._inbox.put(Task("scrub", self._check))

    def _check(self) -> None:
        self._scrub.look(_SCRUB_FOR_S)

    def _keep(self) -> None:
        rules = self._file.station.archive
        self._archive.sweep()
        newest = self._newest_us()
        if newest is None or not self._clock.believed:
            return
        now = time.time_ns() // 1000
        before = now // DAY * DAY - rules.after_days * DAY
        kept = self._archive.keep(before, self._beat)
        if kept:
            self._tell("info", "archived", days=kept, folder=str(self._file.archive))
        if rules.keep_days:
            # Nothing goes on the word of the clock alone: records must have come as late as that.
            today = min(now, newest + DAY) // DAY * DAY
            removed = self._archive.remove(today - rules.keep_days * DAY, MOST_REMOVED)
            if removed:
                self._tell(
                    "info", "removed from the archive", days=removed,
                    kept_until_then_in=str(self._archive.trash), for_days=TRASH_DAYS,
                )  # fmt: skip
            self._archive.empty_trash(now - TRASH_DAYS * DAY)
        try:
            months = self._months.keep(before, self._beat)
        except StoreError as error:
            # They are copies: without them reading is slower, and that is all.
            self._tell("warning", "months of fluxes not written", error=str(error))
            return
        if months:
            self._tell("info", "months of fluxes written for fast reading", months=months)

    def _count_flags(self) -> Counter[tuple[str, str]]:
        last = self._state.newest_us()
        counts: Counter[tuple[str, str]] = Counter()
        if last is None:
            return counts
        period = Period(last - DAY, last + 1)
        for row in self._reader.closures(period):
            counts[row["chamber"], ""] += 1
            counts.update((row["chamber"], flag) for flag in row["flags"].split())
        for row in self._reader.gaps(period):
            counts.update((row["chamber"], flag) for flag in row["flags"].split())
        return counts


def _scheduler() -> BackgroundScheduler:
    return BackgroundScheduler(
        timezone=UTC,
        executors={"default": ThreadPoolExecutor(4)},
        # A job that the machine slept through runs once, when it wakes.
        job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
    )
