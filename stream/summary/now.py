"""What is wrong at this moment: the rules that alerts are made of."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Literal

from stream.field.desk import Desk
from stream.records import SECOND, rfc3339
from stream.science.units import rule_between
from stream.station import Chamber, Station
from stream.store.readers import Period

Sight = Literal["wrong", "fine", "between"]
"""``between`` leaves an incident as it is: that is what keeps one from flickering."""

_MINUTE: Final = 60 * SECOND
_DAY: Final = 86_400 * SECOND
_CLEAR_OF_DISK: Final = 1.25
_COOLER_C: Final = 5.0
_LEAKS: Final = frozenset({"leak_suspected", "no_co2_rise"})
_STUCK: Final = {
    "lid_stuck_open": "stays open",
    "lid_stuck_closed": "stays closed",
    "lid_stuck_moving": "is neither open nor closed",
}


@dataclass(frozen=True, slots=True)
class Condition:
    """One rule about one thing, as it looks now."""

    rule: str
    subject: str
    sight: Sight
    text: str


@dataclass(frozen=True, slots=True)
class Computer:
    """What the service knows of the computer and of its sources.

    Attributes
    ----------
    free_mb : float
        Free disk [MB]; NaN where that cannot be told.
    clock_doubt : str
        Why the computer's clock is in doubt; empty where it is not.
    database : str
        Why the database cannot be written; empty where it can.
    ahead : mapping
        Source → whether most of its records are dated after their arrival.
    """

    free_mb: float
    clock_doubt: str = ""
    database: str = ""
    ahead: Mapping[str, bool] = field(default_factory=dict)


def conditions(desk: Desk, now_us: int, started_us: int, computer: Computer) -> Iterator[Condition]:
    """Every rule of the station file about everything it applies to.

    Parameters
    ----------
    desk : Desk
    now_us, started_us : int
        The time, and when the service was started [µs].
    computer : Computer
    """
    rules = desk.file.station.alerts
    extent = desk.journal.extent()
    # A record from the future must not make the present look quiet.
    newest = desk.journal.stretches().newest_by(now_us + _DAY)
    if "no_records" in rules.rules:
        missing = _no_records(newest, now_us, started_us, rules.no_records_min)
        yield replace(missing, sight="between") if computer.clock_doubt else missing
    yield from of_computer(computer, desk.file.station)
    if newest is None:
        return
    if "analyzer_silent" in rules.rules:
        for a in desk.file.station.analyzers:
            if a.sampling != "continuous":
                continue
            known = [extent[c][1] for c in a.gases.values() if c in extent]
            yield _silent(a.id, max(known, default=None), newest, rules.analyzer_silent_min)
    if "chamber_hot" in rules.rules:
        yield from _hot(desk, newest, rules.chamber_hot_c)
    if {"lid_stuck", "leak_suspected"} & set(rules.rules):
        yield from _by_results(desk, newest)


def _sight(value: float, above: float, below: float) -> Sight:
    return "wrong" if value > above else "fine" if value < below else "between"


def _no_records(newest: int | None, now: int, started: int, limit_min: float) -> Condition:
    age_min = (now - (started if newest is None else newest)) / _MINUTE
    sight: Sight = (
        "wrong" if age_min > limit_min else "fine" if age_min < limit_min / 2 else "between"
    )
    when = "ever" if newest is None else f"since {rfc3339(newest)}"
    return Condition("no_records", "station", sight, f"No record {when}, {age_min:.0f} min.")


def of_computer(computer: Computer, station: Station) -> Iterator[Condition]:
    """The rules that need no database."""
    wanted = station.alerts.rules
    if "disk_low" in wanted:
        yield _disk(computer.free_mb, station.service.min_free_mb)
    if "computer_clock" in wanted:
        text = (
            f"This computer's clock is in doubt: {computer.clock_doubt}. Until it agrees with"
            " records again nothing is removed from the archive, and no summary is made. Set"
            " the clock; if it is right, start the service with --clock-is-right."
        )
        sight: Sight = "wrong" if computer.clock_doubt else "fine"
        yield Condition("computer_clock", "computer", sight, text)
    if "database_away" in wanted:
        text = (
            f"The database cannot be written: {computer.database}. Brokers, folders and this"
            " computer's disk keep the records until it can."
        )
        yield Condition("database_away", "database", "wrong" if computer.database else "fine", text)
    if "source_clock" in wanted:
        for source, ahead in computer.ahead.items():
            text = (
                f"Most records of {source} are dated after their arrival, and are in quarantine."
                " Set the logger's clock, or correct clock of the source in the station file;"
                " then bring the files again."
            )
            yield Condition("source_clock", source, "wrong" if ahead else "fine", text)


def _disk(free_mb: float, least_mb: float) -> Condition:
    sight: Sight = "between"
    if free_mb < least_mb:
        sight = "wrong"
    elif free_mb > _CLEAR_OF_DISK * least_mb:
        sight = "fine"
    text = f"{free_mb:.0f} MB free on the disk, under {least_mb:.0f}."
    return Condition("disk_low", "computer", sight, text)


def _silent(analyzer: str, last: int | None, newest: int, limit_min: float) -> Condition:
    behind = float("inf") if last is None else (newest - last) / _MINUTE
    sight: Sight = (
        "wrong" if behind > limit_min else "fine" if behind < limit_min / 2 else "between"
    )
    when = rfc3339(last) if last else "the start"
    text = f"Analyzer {analyzer} has said nothing since {when}, while other records come."
    return Condition("analyzer_silent", analyzer, sight, text)


def _hot(desk: Desk, newest: int, limit_c: float) -> Iterator[Condition]:
    station = desk.file.station
    channels = {c.air_temperature_channel for c in station.chambers if c.air_temperature_channel}
    records = desk.journal.read(channels, newest - 15 * _MINUTE, newest)
    for c in station.chambers:
        if c.air_temperature_channel is None:
            continue
        series = records[c.air_temperature_channel].filled()
        if not len(series.values):
            continue
        scale, shift = rule_between(station.channels[c.air_temperature_channel].unit, "degC")
        warm = float(series.values[-1]) * scale + shift
        bounds = station.channels[c.air_temperature_channel].range
        if bounds is not None and not bounds[0] <= series.values[-1] <= bounds[1]:
            continue
        sight: Sight = (
            "wrong" if warm > limit_c else "fine" if warm < limit_c - _COOLER_C else "between"
        )
        text = (
            f"{warm:.1f} °C in chamber {c.id}: plants and soil suffer; look whether its lid opens."
        )
        yield Condition("chamber_hot", c.id, sight, text)


def _by_results(desk: Desk, newest: int) -> Iterator[Condition]:
    wanted = desk.file.station.alerts.rules
    period = Period(newest - 2 * _DAY, 2**62)
    fluxes: dict[str, dict[int, tuple[int, int, set[str]]]] = {}
    for r in desk.reader.flux_flags(period):
        mine = fluxes.setdefault(r["chamber"], {})
        _, _, flags = mine.setdefault(r["closed_us"], (r["opened_us"], r["revision"], set()))
        flags |= set(r["flags"].split())
    gaps: dict[str, tuple[int, str]] = {}
    for r in desk.reader.gaps(period):
        gaps[r["chamber"]] = (r["due_us"], r["flags"])
    for c in desk.file.station.chambers:
        closures = sorted(fluxes.get(c.id, {}).items())
        if "lid_stuck" in wanted and c.lid_channel is not None:
            yield _stuck(desk, c, closures, gaps.get(c.id), newest)
        if "leak_suspected" in wanted:
            over = [flags for _, (_, revision, flags) in closures if revision][-3:]
            leaky = [bool(flags & _LEAKS) for flags in over]
            sight: Sight = "between"
            if sum(leaky) >= 2:
                sight = "wrong"
            elif len(leaky) >= 2 and not any(leaky[-2:]):
                sight = "fine"
            text = (
                f"{sum(leaky)} of the last {len(leaky)} closures of {c.id} look as if air came in"
                " or went out: look at seal, collar and tubing."
            )
            yield Condition("leak_suspected", c.id, sight, text)


def _stuck(
    desk: Desk,
    chamber: Chamber,
    closures: list[tuple[int, tuple[int, int, set[str]]]],
    gap: tuple[int, str] | None,
    newest: int,
) -> Condition:
    longest = round(desk.file.station.closure.max_duration_s * SECOND)
    caution = "Lids close by themselves: isolate the drive before reaching in."
    closed, (opened, revision, _) = closures[-1] if closures else (-(2**62), (0, 1, set()))
    if revision == 0 and newest - closed > longest + 10 * _MINUTE:
        text = f"The lid of {chamber.id} has been closed since {rfc3339(closed)}. {caution}"
        return Condition("lid_stuck", chamber.id, "wrong", text)
    if gap is not None and gap[0] > closed:
        word = next((w for w in gap[1].split() if w in _STUCK), None)
        if word is None:
            return Condition("lid_stuck", chamber.id, "between", "")
        due = rfc3339(gap[0])
        text = f"The lid of {chamber.id} {_STUCK[word]}; a closure was due at {due}. {caution}"
        return Condition("lid_stuck", chamber.id, "wrong", text)
    fine = bool(closures) and revision > 0 and opened - closed <= longest
    return Condition("lid_stuck", chamber.id, "fine" if fine else "between", "")
