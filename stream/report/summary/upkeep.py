"""What is due at the station: heights, standards, sampling by hand."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from stream.field.series import calendar
from stream.field.weather import sampling_due
from stream.report.summary.model import Task
from stream.station import FieldNote, Station, read_clock
from stream.store.journal.journal import Journal
from stream.times import to_micros


def upkeep(station: Station, notes: Sequence[FieldNote], today: date) -> list[Task]:
    """Heights to be measured, and standards that run out, as of a day."""
    return [*_heights(station, notes, today), *_standards(station, today)]


def _heights(station: Station, notes: Sequence[FieldNote], today: date) -> list[Task]:
    limit = station.summary.height_days
    zone = read_clock(station.station.timezone)
    now = datetime.combine(today, datetime.max.time(), zone)
    late: dict[str, list[str]] = {}
    for c in station.chambers:
        known = [h.from_ for h in c.heights if h.from_ <= now]
        if not known:
            continue
        age = (today - known[-1].astimezone(zone).date()).days
        measured = to_micros(known[-1])
        moved = [n for n in notes if n.kind == "moved" and c.id in n.about(station)]
        if any(measured < n.at_us <= to_micros(now) for n in moved):
            late.setdefault("moved since its height was measured", []).append(c.id)
        elif age > limit:
            late.setdefault(f"not measured for over {limit} days", []).append(c.id)
    return [
        Task(
            rank=3,
            where=", ".join(chambers),
            what="Measure the headspace height at several places, and write it into the field log.",
            why=why,
        )
        for why, chambers in late.items()
    ]


def _standards(station: Station, today: date) -> list[Task]:
    ahead = timedelta(days=station.summary.standard_days)
    found = []
    for a in station.analyzers:
        for s in a.standards:
            if s.expires is None or s.expires > today + ahead:
                continue
            name = s.name or f"port {s.port}"
            over = s.expires < today
            found.append(
                Task(
                    rank=2 if over else 3,
                    where=f"{a.id}, standard {name} ({s.gas})",
                    what="Have a new standard gas ready. Compressed gas: follow local codes.",
                    why=f"{'ran out' if over else 'runs out'} on {s.expires}",
                )
            )
    return found


def hand_sampling(station: Station, journal: Journal, today: date) -> str:
    """Why sampling by hand is due today; '' where it is not, or nobody samples by hand."""
    by_hand = any(a.sampling == "vials" for a in station.analyzers)
    season = station.season
    if not by_hand or season is None or not season.start <= today <= season.end:
        return ""
    days = calendar(station, season.start, today)
    return sampling_due(station, journal, days).get(today, "")
