"""A day's summary out of what is stored."""

import shutil
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final

from stream import __version__
from stream.field.series import calendar
from stream.ingest.refusals import by_reason
from stream.report.summary.closures import DayRows, chamber_days, faults_of, grave
from stream.report.summary.damage import of_damage
from stream.report.summary.findings.causes import Day, findings_of, unexplained, with_causes
from stream.report.summary.findings.finding import Evidence, Finding
from stream.report.summary.findings.refused import by_source, contradictions
from stream.report.summary.fluxes import fluxes_of
from stream.report.summary.model import ChamberDay, DaySummary, Fault, Machine, Task, UntrustedTimes
from stream.report.summary.sensors import analyzers_of, sensors_of
from stream.report.summary.standards import standards_of
from stream.report.summary.tasks import in_order_of_urgency, tasks_of
from stream.report.summary.upkeep import hand_sampling, upkeep
from stream.station import Station, read_clock, read_notes, standing
from stream.store.results.readers import Period
from stream.store.results.writer import AnchorReader
from stream.store.station_data import Notes, StationData
from stream.times import DAY, rfc3339

MOST_REASONS: Final = 8
"""Reasons of refused lines that a morning is told."""
_FORTNIGHT: Final = 14


def yesterday(station: Station, now: float | None = None) -> date:
    """The last day at the station that is over."""
    zone = read_clock(station.station.timezone)
    moment = datetime.fromtimestamp(time.time() if now is None else now, UTC)
    return moment.astimezone(zone).date() - timedelta(days=1)


def summarize(data: StationData, day: date, *, now_us: int | None = None) -> DaySummary:
    """Sum up one day.

    Parameters
    ----------
    data : StationData
    day : date
        A day at the station, by its standard time.
    now_us : int, optional
        The time of writing, for the lag of the data; None where the day is long past [µs].

    Returns
    -------
    DaySummary
    """
    station, reader, journal = data.file.station, data.reader, data.journal
    start = calendar(station, day, day).start_us
    period = Period(start, start + DAY)
    before = data.kept.between(day - timedelta(days=_FORTNIGHT), day - timedelta(days=1))
    contents = [row["content"] for row in before]
    rows = DayRows.read(reader, period)
    sensors = sensors_of(station, journal, period, contents)
    dark = not any(s.records for s in sensors)
    chambers = chamber_days(station, rows, dark=dark)
    faults = faults_of(rows)
    analyzers = analyzers_of(station, journal, period)
    standards = standards_of(station, reader, period)
    machine = _machine(data, period, contents, now_us)
    fluxes, unusual, missing = fluxes_of(station, data.flux_columns, day)
    notes = standing(read_notes(Notes(data.store, station.id).all()))
    todays = [n for n in notes if period.first_us <= n.at_us < period.stop_us]
    # What is due is due on the morning on which the summary is read.
    morning = day + timedelta(days=1)
    evidence = Evidence.at(data.file, journal, reader, period)
    newly, refused = machine.newly_quarantined, list(reader.quarantine())
    whole = Day(
        faults, sensors, analyzers, standards, machine.clock, chambers,
        by_source(refused), contradictions(refused, period.first_us, period.stop_us),
        newly is None or newly > 0,
    )  # fmt: skip
    findings = findings_of(evidence, rows.gaps, whole)
    faults = with_causes(faults, findings)
    rest = unexplained(replace(whole, faults=faults), findings)
    due = hand_sampling(station, journal, morning)
    tasks = [*_tasks(data, period, findings, rest, machine), *upkeep(station, notes, morning)]
    if due:
        tasks.append(Task(2, "field", "Take samples by hand.", due))
    found = in_order_of_urgency(tasks)
    verdict, sentence = _verdict(chambers, faults, found, missing, machine, doubts=bool(findings))
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
        station_digest=data.file.digest,
        software_version=__version__,
    )


def _tasks(
    data: StationData, period: Period, findings: Sequence[Finding], rest: Day, machine: Machine
) -> Iterator[Task]:
    """What the records of a day ask for; ``rest`` is what no finding explains.

    Of tasks of one rank those that name a cause come first.
    """
    station = data.file.station
    yield from (f.task() for f in findings)
    yield from tasks_of(
        rest.chambers, rest.faults, rest.sensors, rest.analyzers, rest.standards, machine,
        station.service.min_free_mb,
    )  # fmt: skip
    zone = read_clock(station.station.timezone)
    yield from (f.task() for f in of_damage(data.journal, period, zone))


def _machine(
    data: StationData, period: Period, before: Sequence[Mapping[str, Any]], now_us: int | None
) -> Machine:
    newest = data.journal.newest()
    quarantined = data.reader.quarantined()
    earlier = before[-1]["machine"]["quarantined"] if before else None
    spans = data.journal.unsettled()
    return Machine(
        last_record_at=None if newest is None else rfc3339(newest),
        lag_min=None if newest is None or now_us is None else round((now_us - newest) / 60e6, 1),
        free_mb=_free_mb(data),
        unsettled_h=round(sum(b - a for a, b in spans) / 3600e6, 2),
        pending=data.reader.pending(),
        quarantined=quarantined,
        newly_quarantined=None if earlier is None else quarantined - earlier,
        refusals=by_reason(data.reader.quarantine())[:MOST_REASONS],
        clock=_clock(data, period),
    )


def _free_mb(data: StationData) -> float | None:
    folder = data.store.folder or data.file.path.resolve().parent
    try:
        return round(shutil.disk_usage(folder).free / 1e6, 0)
    except OSError:
        return None


def _clock(data: StationData, period: Period) -> list[UntrustedTimes]:
    anchors = AnchorReader(data.store, data.file.station.id)
    minutes: dict[tuple[str, str], set[int]] = {}
    for kind, at, channels in anchors.clock_doubts(period.first_us, period.stop_us - 1):
        name = sorted(channels)[0] if len(channels) == 1 else f"logger of {sorted(channels)[0]} …"
        minutes.setdefault((name, kind), set()).add(at)
    return [
        UntrustedTimes(source, kind, len(at), rfc3339(min(at)), rfc3339(max(at)))
        for (source, kind), at in sorted(minutes.items())
    ]


def _verdict(
    chambers: Sequence[ChamberDay],
    faults: Sequence[Fault],
    tasks: Sequence[Task],
    missing: Sequence[str],
    machine: Machine,
    *,
    doubts: bool,
) -> tuple[str, str]:
    """How good the day is, and a sentence of it.

    ``doubts`` is whether there is any finding: an open question of the station file, say.
    """
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
    if doubts or grave(faults) or any(t.rank == 2 for t in tasks):
        return "look", f"Good in the main; some of it wants looking at. {count}"
    return "good", f"All is well. {count}"
