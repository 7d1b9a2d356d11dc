"""What days show that no single closure does: likely mistakes of setting up, and slow changes.

A finding is a task with its evidence. It changes no result: what is settled stays as it is.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from stream.report.summary.model import FaultCase, Task
from stream.station import Station, StationFile
from stream.store.journal.journal import Journal, Series
from stream.store.results.readers import Period, Reader, Row
from stream.times import DAY

DAYS: Final = 7
"""Days, the last one included, that are examined together."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One likely cause.

    Attributes
    ----------
    rank : int
        As of a task.
    where, what, why : str
        Where it is, what to do, and what shows it.
    explains : frozenset of (word, where)
        Faults of the day that come of it, which need no task of their own: flags of chambers,
        ``silent`` channels and analyzers, standards ``not_visited`` of an analyzer, and
        ``no_closures`` of the station.
    around : tuple of (first, stop)
        Times that flags must lie in to be explained [µs]; any time where there is none.
    always : frozenset of (word, where)
        Of ``explains``, what need not lie there.
    """

    rank: int
    where: str
    what: str
    why: str
    explains: frozenset[tuple[str, str]] = frozenset()
    around: tuple[tuple[int, int], ...] = ()
    always: frozenset[tuple[str, str]] = frozenset()

    def explains_case(self, flag: str, case: FaultCase) -> bool:
        """Whether a fault of a chamber comes of it, from its first time to its last."""
        if (flag, case.chamber) not in self.explains:
            return False
        first, last = micros(case.first_at), micros(case.last_at)
        if not self.around or (flag, case.chamber) in self.always:
            return True
        return all(any(a <= at < b for a, b in self.around) for at in (first, last))

    def task(self) -> Task:
        """For people."""
        return Task(self.rank, self.where, self.what, self.why)


@dataclass(frozen=True, slots=True)
class Evidence:
    """What findings are made of.

    Attributes
    ----------
    file : StationFile
    journal : Journal
    day, week : Period
        The day, and the days up to its end.
    rows : list of rows
        How closures of the week began, in order of chamber, time and gas.
    """

    file: StationFile
    journal: Journal
    day: Period
    week: Period
    rows: list[Row]

    @property
    def station(self) -> Station:
        """As amended."""
        return self.file.station

    @property
    def todays(self) -> list[Row]:
        """Rows of the day."""
        return [r for r in self.rows if r["closed_us"] >= self.day.first_us]

    def series(self, channel: str, *, days: int = 1) -> Series:
        """Records of a channel over the day, or over some days up to its end."""
        first = self.day.stop_us - days * DAY
        return self.journal.read({channel}, first, self.day.stop_us - 1)[channel].filled()

    def middle(self, channel: str) -> float:
        """Median reading of the day, NaN without any."""
        values = self.series(channel).values
        return float(np.median(values)) if len(values) else float("nan")

    @classmethod
    def at(cls, file: StationFile, journal: Journal, reader: Reader, day: Period) -> "Evidence":
        """Read the week that ends with a day."""
        week = Period(day.stop_us - DAYS * DAY, day.stop_us)
        return cls(file, journal, day, week, list(reader.starts(week)))


def of_station_file(evidence: Evidence) -> Iterator[Finding]:
    """Numbers of the station file that cannot be right, or are odd and not confirmed."""
    refused = evidence.file.refused
    if refused:
        marked = frozenset(
            ("setup_implausible", r["chamber"])
            for r in evidence.todays
            if "setup_implausible" in r["flags"].split()
        )
        what = "Correct the station file, then reprocess."
        yield Finding(1, "station file", what, "; ".join(refused), marked)
    if evidence.file.changed:
        yield Finding(2, "station file", "Restart the service.", evidence.file.changed)
    questions = evidence.file.questions
    if questions:
        what = "Correct the station file, or add the key to checks.confirmed."
        yield Finding(3, "station file", what, "; ".join(questions))


def micros(moment: str) -> int:
    """From RFC 3339 [µs]."""
    return round(datetime.fromisoformat(moment).timestamp() * 1e6)


def among(values: Sequence[str]) -> str:
    """A list for people; of many the first few."""
    shown = list(dict.fromkeys(values))
    more = f" and {len(shown) - 6} more" if len(shown) > 7 else ""
    return ", ".join(shown[:6] if more else shown) + more
