"""Rain and what was done on the field, day by day; when sampling by hand is due."""

from datetime import date

import numpy as np

from stream.field.series import Calendar
from stream.science.flux.units import rule_between
from stream.science.planning.sampling_days import CalendarRules, days_due
from stream.station import Station
from stream.store.journal.journal import Journal
from stream.times import DAY


def rain_mm(
    station: Station, journal: Journal, days: Calendar, *, whole_field: bool = False
) -> dict[int, float]:
    """Day of the calendar → rain of the gauge and of ``[[events]]`` [mm].

    A gauge's records are amounts since the one before. Of a day that both tell of, the
    larger counts, since people write down what the gauge caught. With ``whole_field``,
    what fell on every treatment.
    """
    found: dict[int, float] = {}
    channel = station.weather.rain_channel
    if channel is not None:
        scale, _ = rule_between(station.channels[channel].unit, "mm")
        stop = days.start_us + days.days * DAY
        series = journal.read({channel}, days.start_us, stop - 1)[channel].filled()
        at = (series.times - days.start_us) // DAY
        total = np.bincount(at, np.maximum(series.values, 0.0) * scale, minlength=days.days)
        found = {int(d): float(total[d]) for d in np.flatnonzero(total > 0)}
    for event in station.events:
        if whole_field and event.treatment is not None:
            continue
        if event.kind in {"rain", "irrigation"} and event.amount is not None:
            day = days.index(event.day)
            found[day] = max(found.get(day, 0.0), event.amount)
    return found


def sampling_due(station: Station, journal: Journal, days: Calendar) -> dict[date, str]:
    """Days on which sampling by hand is due, and why.

    Rain and irrigation before the first day count too, since what follows them may be due
    within it.
    """
    rules = station.sampling_calendar
    early = rules.daily_days + rules.then_days + 1
    wide = Calendar(days.day(-early), days.days + early, days.offset)
    water = {d - early: mm for d, mm in rain_mm(station, journal, wide).items()}
    fed = [days.index(e.day) for e in station.events if e.kind in {"fertilizer", "tillage"}]
    due = days_due(
        0,
        days.days - 1,
        water,
        fed,
        CalendarRules(
            every_days=rules.every_days,
            once_mm=rules.once_mm,
            daily_mm=rules.daily_mm,
            daily_days=rules.daily_days,
            then_every=rules.then_every,
            then_days=rules.then_days,
        ),
    )
    return {days.day(d): why for d, why in due.items()}


def rain_days(station: Station, journal: Journal, days: Calendar) -> list[date]:
    """Days wet enough to drive a flux: by the calendar's smaller amount."""
    least = station.sampling_calendar.once_mm
    return [days.day(d) for d, mm in rain_mm(station, journal, days).items() if mm >= least]
