"""A day's summary out of what is stored."""

import shutil
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final

from stream import __version__
from stream.field.desk import Desk
from stream.field.series import calendar
from stream.records import DAY, rfc3339
from stream.refusals import by_reason
from stream.station import Station, read_clock, read_notes, standing
from stream.store.anchors import AnchorReader
from stream.store.mending import Mending
from stream.store.notes import Notes
from stream.store.readers import Period
from stream.summary.causes import Day, findings_of, unexplained, with_causes
from stream.summary.closures import DayRows, chamber_days, faults_of, grave
from stream.summary.damage import of_damage
from stream.summary.findings import Evidence
from stream.summary.fluxes import fluxes_of
from stream.summary.model import ChamberDay, ClockDoubt, DaySummary, Fault, Machine, Task
from stream.summary.sensors import analyzers_of, sensors_of
from stream.summary.standards import standards_of
from stream.summary.tasks import tasks_of
from stream.summary.upkeep import hand_sampling, upkeep

MOST_REASONS: Final = 8
"""Reasons of refused lines that a morning is told."""
_FORTNIGHT: Final = 14


def yesterday(station: Station, now: float | None = None) -> date:
    """The last day at the station that is over."""
    zone = read_clock(station.station.timezone)
    moment = datetime.fromtimestamp(time.time() if now is None else now, UTC)
    return moment.astimezone(zone).date() - timedelta(days=1)


def summarize(desk: Desk, day: date, *, now_us: int | None = None) -> DaySummary:
    """Sum up one day.

    Parameters
    ----------
    desk : Desk
    day : date
        A day at the station, by its standard time.
    now_us : int, optional
        The time of writing, for the lag of the data; None where the day is long past [µs].

    Returns
    -------
    DaySummary
    """
    station, reader, journal = desk.file.station, desk.reader, desk.journal
    start = calendar(station, day, day).start_us
    period = Period(start, start + DAY)
    before = desk.kept.between(day - timedelta(days=_FORTNIGHT), day - timedelta(days=1))
    contents = [row["content"] for row in before]
    rows = DayRows.read(reader, period)
    sensors = sensors_of(station, journal, period, contents)
    dark = not any(s.records for s in sensors)
    chambers = chamber_days(station, rows, dark=dark)
    faults = faults_of(rows)
    analyzers = analyzers_of(station, journal, period)
    standards = standards_of(station, reader, period)
    machine = _machine(desk, period, contents, now_us)
    fluxes, unusual, missing = fluxes_of(station, reader, day)
    notes = standing(read_notes(Notes(desk.store, station.id).all()))
    todays = [n for n in notes if period.first_us <= n.at_us < period.stop_us]
    # What is due is due on the morning on which the summary is read.
    morning = day + timedelta(days=1)
    evidence = Evidence.at(desk.file, journal, reader, period)
    clocks = sorted({c.source for c in machine.clock})
    whole = Day(faults, sensors, analyzers, standards, clocks, chambers)
    findings = findings_of(evidence, rows.gaps, whole)
    faults = with_causes(faults, findings)
    rest = unexplained(replace(whole, faults=faults), findings)
    found = tasks_of(
        rest.chambers, rest.faults, rest.sensors, rest.analyzers, rest.standards, machine,
        station.service.min_free_mb,
    )  # fmt: skip
    found += [f.task() for f in findings]
    mending = Mending(desk.store, station.id, desk.file.archive)
    zone = read_clock(station.station.timezone)
    found += [f.task() for f in of_damage(mending, journal, period, zone)]
    due = hand_sampling(station, journal, morning)
    found += upkeep(station, notes, morning)
    if due:
        found.append(Task(2, "field", "Take samples by hand.", due))
    found.sort(key=lambda t: t.rank)
    verdict, sentence = _verdict(chambers, faults, found, missing, machine)
    return DaySummary(
        station=station.id,
        name=station.station.name or station.id,
        day=day.isoformat(),
        zone=station.station.timezone,
        verdict=verdict,
        sentence=sentence,
        tasks=found,
        chambers=chambers,
        faults=faults,
        sensors=sensors,
        analyzers=analyzers,
        standards=standards,
        fluxes=fluxes,
        unusual=unusual,
        machine=machine,
        notes=[f"{n.kind}: {n.text} ({n.author})" for n in todays],
        sampling_due=due,
        station_digest=desk.file.digest,
        software_version=__version__,
    )


def _machine(
    desk: Desk, period: Period, before: Sequence[Mapping[str, Any]], now_us: int | None
) -> Machine:
    newest = desk.journal.newest()
    quarantined = desk.reader.quarantined()
    earlier = before[-1]["machine"]["quarantined"] if before else None
    spans = desk.journal.unsettled()
    return Machine(
        last_record_at=None if newest is None else rfc3339(newest),
        lag_min=None if newest is None or now_us is None else round((now_us - newest) / 60e6, 1),
        free_mb=_free_mb(desk),
        unsettled_h=round(sum(b - a for a, b in spans) / 3600e6, 2),
        pending=desk.reader.pending(),
        quarantined=quarantined,
        newly_quarantined=None if earlier is None else quarantined - earlier,
        refusals=by_reason(desk.reader.quarantine())[:MOST_REASONS],
        clock=_clock(desk, period),
    )


def _free_mb(desk: Desk) -> float | None:
    folder = desk.store.folder or desk.file.path.resolve().parent
    try:
        return round(shutil.disk_usage(folder).free / 1e6, 0)
    except OSError:
        return None


def _clock(desk: Desk, period: Period) -> list[ClockDoubt]:
    anchors = AnchorReader(desk.store, desk.file.station.id)
    minutes: dict[tuple[str, str], set[int]] = {}
    for kind, at, channels in anchors.clock_doubts(period.first_us, period.stop_us - 1):
        name = sorted(channels)[0] if len(channels) == 1 else f"logger of {sorted(channels)[0]} …"
        minutes.setdefault((name, kind), set()).add(at)
    return [
        ClockDoubt(source, kind, len(at), rfc3339(min(at)), rfc3339(max(at)))
        for (source, kind), at in sorted(minutes.items())
    ]


def _verdict(
    chambers: Sequence[ChamberDay],
    faults: Sequence[Fault],
    tasks: Sequence[Task],
    missing: Sequence[str],
    machine: Machine,
) -> tuple[str, str]:
    due, got = sum(c.due for c in chambers), sum(c.got for c in chambers)
    usable = sum(sum(c.usable.values()) for c in chambers)
    fluxes = sum(c.got * len(c.usable) for c in chambers)
    count = f"{got} of {due} closures came; {usable} of {fluxes} fluxes are usable."
    refused = machine.newly_quarantined
    if refused is None:  # the first summary: of that day if there is no record of another
        refused = 0 if machine.last_record_at else machine.quarantined
    if not got and refused > 0 and machine.refusals:
        why = f"{refused} lines were refused, most often: {machine.refusals[0].reason}."
        return "act", f"No closure was recorded, and {why}"
    if any(t.rank == 1 for t in tasks):
        return "act", f"Something must be done now. {count}"
    if missing and due:
        return "look", f"No daily mean of {'; '.join(missing)}. {count}"
    if grave(faults) or any(t.rank == 2 for t in tasks):
        return "look", f"Good in the main; some of it wants looking at. {count}"
    return "good", f"All is well. {count}"
