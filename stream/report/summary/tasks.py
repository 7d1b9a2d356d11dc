"""What to do at the station today, out of all that was found."""

from collections.abc import Iterable, Sequence
from typing import Final

from stream.report.summary.model import (
    AnalyzerDay,
    ChamberDay,
    Fault,
    FaultCase,
    Machine,
    Sensor,
    StandardDay,
    Task,
)
from stream.science.quality.flags import BAD, FLAGS, GOOD, MISSING, SUSPECT

_AT_ONCE: Final = frozenset(
    {"lid_stuck_open", "lid_stuck_closed", "lid_stuck_moving", "no_lid_records", "no_samples"}
)
_NOBODY: Final = frozenset({"unfinished", "marked_bad", "vials_waiting", "no_close_edge"})
"""Flags that nobody need go out for."""
_OFTEN: Final = 3


def tasks_of(
    chambers: Sequence[ChamberDay],
    faults: Sequence[Fault],
    sensors: Sequence[Sensor],
    analyzers: Sequence[AnalyzerDay],
    standards: Sequence[StandardDay],
    machine: Machine,
    min_free_mb: float,
) -> list[Task]:
    """Tasks from what a day shows.

    What was over before the day ended, and came up once or twice, is told as a fault and is
    no task, but for lids that stuck and samples that did not come.
    """
    found: list[Task] = []
    if not any(c.got for c in chambers) and any(c.due for c in chambers):
        why = "no closure was recorded all day"
        found.append(Task(1, "station", "Look at power, logger and link.", why))
    if machine.free_mb is not None and machine.free_mb < min_free_mb:
        why = f"{machine.free_mb:.0f} MB free, under {min_free_mb:.0f}"
        found.append(Task(1, "computer", "Make room on the disk.", why))
    for fault in faults:
        task = _task(fault)
        if task is not None:
            found.append(task)
    found += _from_sensors(sensors)
    found += _from_standards(standards)
    for a in analyzers:
        if a.silent_min > 60:
            why = f"no records for {a.silent_min:.0f} min"
            found.append(Task(2, a.analyzer, "Look at the analyzer, its link and its power.", why))
    return found


def in_order_of_urgency(tasks: Iterable[Task]) -> list[Task]:
    """As a person should do them; those of one rank as they were found."""
    return sorted(tasks, key=lambda t: t.rank)


def _task(fault: Fault) -> Task | None:
    if (fault.quality == GOOD and fault.flag != "pressure_assumed") or fault.flag in _NOBODY:
        return None
    lasting = [c for c in fault.cases if not c.over]
    often = 1 if fault.flag in _AT_ONCE else _OFTEN
    again = [c for c in fault.cases if c.over and c.count >= often]
    if fault.flag == "pressure_assumed":
        lasting = [c for c in lasting if len(lasting) > 1]
    cases = lasting or again
    if not cases:
        return None
    urgent = fault.flag in _AT_ONCE and bool(lasting)
    rank = 1 if urgent else 2 if fault.quality in {MISSING, BAD, SUSPECT} and lasting else 3
    times = sum(c.count for c in cases)
    state = "still so at the end of the day" if lasting else "over by the end of the day"
    why = f"{_words(fault.flag)}, {times} closure{'s' if times != 1 else ''}, {state}"
    return Task(rank, ", ".join(_where(c) for c in cases), FLAGS[fault.flag].remedy, why)


def _where(case: FaultCase) -> str:
    return f"{case.chamber} ({', '.join(case.gases)})" if case.gases else case.chamber


def _words(flag: str) -> str:
    return flag.replace("_", " ")


def _from_sensors(sensors: Sequence[Sensor]) -> list[Task]:
    found = []
    for s in sensors:
        wrong = []
        if s.records == 0:
            wrong.append("no record all day")
        elif "silent" in s.words and s.silent_h >= 3:
            wrong.append(f"silent for {s.silent_h:.1f} h")
        if "flat" in s.words and s.flat_h >= 1:
            wrong.append(f"the same value for {s.flat_h:.1f} h")
        if "drifted" in s.words and s.drift is not None:
            wrong.append(f"{s.drift:+.3g} {s.unit} against the last fortnight")
        if wrong:
            what = "Look at the sensor and its wiring."
            found.append(Task(3, s.channel, what, "; ".join(wrong)))
    return found


def _from_standards(standards: Sequence[StandardDay]) -> list[Task]:
    found = []
    for s in standards:
        where = f"{s.analyzer}, {s.gas} standard {s.standard}"
        if "not_visited" in s.words:
            what = "Look at the port schedule, the cylinder's valve and its pressure."
            found.append(Task(2, where, what, "not visited all day"))
        elif "drifts" in s.words:
            parts = []
            if s.drift_percent is not None:
                parts.append(f"{s.drift_percent:+.2f} % against the last fortnight")
            if s.spread_percent is not None:
                parts.append(f"{s.spread_percent:.2f} % apart within the day")
            what = "Check value and leaks of the standard; let the analyzer's maker see a drift."
            found.append(Task(2, where, what, ", ".join(parts)))
    return found
