"""On which days hand sampling is due, by rain and by what was done on the field."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CalendarRules:
    """When samples are due; common practice, no source.

    Attributes
    ----------
    every_days : int
        However quiet it is.
    once_mm, daily_mm : float
        Rain or irrigation of a day that asks for one sampling, and for one on each of three
        days [mm].
    daily_days : int
        Days in a row after a big event or fertilizer.
    then_every, then_days : int
        Afterwards every so many days, for so many days more.
    """

    every_days: int = 7
    once_mm: float = 10.0
    daily_mm: float = 20.0
    daily_days: int = 3
    then_every: int = 2
    then_days: int = 7


def days_due(
    first: int,
    last: int,
    water_mm: Mapping[int, float],
    fertilized: Iterable[int],
    rules: CalendarRules,
) -> dict[int, str]:
    """Days on which sampling is due, and why.

    Parameters
    ----------
    first, last : int
        Days, counted from anywhere, both included.
    water_mm : mapping of int to float
        Day → rain and irrigation [mm].
    fertilized : iterable of int
        Days of fertilizer or of another big event.
    rules : CalendarRules

    Returns
    -------
    dict of int to str
        Day → reason, in order: the weekly one counts from the last sampling that was due.
        Sampling after rain is due on the day after it, after fertilizer on the day itself.
    """
    reasons: dict[int, str] = {}

    def add(day: int, why: str) -> None:
        if first <= day <= last:
            reasons.setdefault(day, why)

    for day in sorted(fertilized):
        _follow(day, "fertilizer", rules, add)
    for day, amount in sorted(water_mm.items()):
        if amount >= rules.daily_mm:
            _follow(day + 1, f"{amount:.0f} mm", rules, add)
        elif amount >= rules.once_mm:
            add(day + 1, f"{amount:.0f} mm")
    latest = first - rules.every_days
    for day in range(first, last + 1):
        if day not in reasons and day - latest >= rules.every_days:
            reasons[day] = "regular"
        if day in reasons:
            latest = day
    return dict(sorted(reasons.items()))


def _follow(day: int, why: str, rules: CalendarRules, add: Callable[[int, str], None]) -> None:
    for i in range(rules.daily_days):
        add(day + i, f"{why}, day {i + 1}")
    at = rules.daily_days - 1 + rules.then_every
    while at < rules.daily_days + rules.then_days:
        add(day + at, f"{why}, day {at + 1}")
        at += rules.then_every
