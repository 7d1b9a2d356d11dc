"""What is wrong at this moment: the rules that alerts are made of."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final, Literal

from stream.science.flux.units import rule_between
from stream.station import Chamber, Station
from stream.store.results.readers import Period
from stream.store.station_data import StationData
from stream.times import DAY, SECOND, rfc3339

Sight = Literal["wrong", "fine", "between"]
"""``between`` leaves an incident as it is: that is what keeps one from flickering."""

_MINUTE: Final = 60 * SECOND
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


@dataclass(frozen=True)
class RecordsNow:
    """What the rules about records look at.

    Attributes
    ----------
    data : StationData
    now_us, started_us : int
        The time, and when the service was started [µs].
    newest_us : int or None
        The newest record that is not from the future [µs].
    computer : Computer
    """

    data: StationData
    now_us: int
    started_us: int
    newest_us: int | None
    computer: Computer

    @cached_property
    def closures(self) -> dict[str, list[tuple[int, tuple[int, int, set[str]]]]]:
        """Chamber → (closed, (opened, revision, flags of all gases)) of the last two days."""
        found: dict[str, dict[int, tuple[int, int, set[str]]]] = {}
        for r in self.data.reader.flux_flags(self._lately):
            mine = found.setdefault(r["chamber"], {})
            _, _, flags = mine.setdefault(r["closed_us"], (r["opened_us"], r["revision"], set()))
            flags |= set(r["flags"].split())
        return {chamber: sorted(mine.items()) for chamber, mine in found.items()}

    @cached_property
    def gaps(self) -> dict[str, tuple[int, str]]:
        """Chamber → (when a closure was due, flags) of its last gap."""
        return {
            r["chamber"]: (r["due_us"], r["flags"]) for r in self.data.reader.gaps(self._lately)
        }

    @property
    def _lately(self) -> Period:
        return Period((self.newest_us or 0) - 2 * DAY, 2**62)


def conditions(
    data: StationData, now_us: int, started_us: int, computer: Computer
) -> Iterator[Condition]:
    """Every rule of the station file about everything it applies to.

    Parameters
    ----------
    data : StationData
    now_us, started_us : int
        The time, and when the service was started [µs].
    computer : Computer
    """
    station = data.file.station
    # A record from the future must not make the present look quiet.
    newest = data.journal.stretches().newest_by(now_us + DAY)
    evidence = RecordsNow(data, now_us, started_us, newest, computer)
    for rule, look in OF_RECORDS.items():
        if rule in station.alerts.rules:
            yield from look(evidence)
    yield from of_computer(computer, station)


def of_computer(computer: Computer, station: Station) -> Iterator[Condition]:
    """The rules that need no database."""
    for rule, look in OF_COMPUTER.items():
        if rule in station.alerts.rules:
            yield from look(computer, station)


def _sight(value: float, above: float, below: float) -> Sight:
    return "wrong" if value > above else "fine" if value < below else "between"


def no_records(evidence: RecordsNow) -> Iterator[Condition]:
    """No record at all for some time, of whatever channel."""
    newest, limit_min = evidence.newest_us, evidence.data.file.station.alerts.no_records_min
    age_min = (evidence.now_us - (evidence.started_us if newest is None else newest)) / _MINUTE
    sight = _sight(age_min, limit_min, limit_min / 2)
    if evidence.computer.clock_doubt:
        sight = "between"
    when = "ever" if newest is None else f"since {rfc3339(newest)}"
    yield Condition("no_records", "station", sight, f"No record {when}, {age_min:.0f} min.")


def analyzer_silent(evidence: RecordsNow) -> Iterator[Condition]:
    """An analyzer says nothing while other records come."""
    station, newest = evidence.data.file.station, evidence.newest_us
    if newest is None:
        return
    extent, limit_min = evidence.data.journal.extent(), station.alerts.analyzer_silent_min
    for a in station.analyzers:
        if a.sampling != "continuous":
            continue
        last = max((extent[c][1] for c in a.gases.values() if c in extent), default=None)
        behind = float("inf") if last is None else (newest - last) / _MINUTE
        sight = _sight(behind, limit_min, limit_min / 2)
        when = rfc3339(last) if last else "the start"
        text = f"Analyzer {a.id} has said nothing since {when}, while other records come."
        yield Condition("analyzer_silent", a.id, sight, text)


def chamber_hot(evidence: RecordsNow) -> Iterator[Condition]:
    """The air in a chamber is warmer than plants and soil bear."""
    data, newest = evidence.data, evidence.newest_us
    if newest is None:
        return
    station, limit_c = data.file.station, data.file.station.alerts.chamber_hot_c
    channels = {c.air_temperature_channel for c in station.chambers if c.air_temperature_channel}
    records = data.journal.read(channels, newest - 15 * _MINUTE, newest)
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
        sight = _sight(warm, limit_c, limit_c - _COOLER_C)
        text = (
            f"{warm:.1f} °C in chamber {c.id}: plants and soil suffer; look whether its lid opens."
        )
        yield Condition("chamber_hot", c.id, sight, text)


def lid_stuck(evidence: RecordsNow) -> Iterator[Condition]:
    """A lid that should have moved did not."""
    if evidence.newest_us is None:
        return
    for c in evidence.data.file.station.chambers:
        if c.lid_channel is not None:
            mine = evidence.closures.get(c.id, [])
            yield _stuck(evidence.data, c, mine, evidence.gaps.get(c.id), evidence.newest_us)


def leak_suspected(evidence: RecordsNow) -> Iterator[Condition]:
    """The last closures of a chamber look as if air came in or went out."""
    if evidence.newest_us is None:
        return
    for c in evidence.data.file.station.chambers:
        closures = evidence.closures.get(c.id, [])
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
    data: StationData,
    chamber: Chamber,
    closures: list[tuple[int, tuple[int, int, set[str]]]],
    gap: tuple[int, str] | None,
    newest: int,
) -> Condition:
    longest = round(data.file.station.closure.max_duration_s * SECOND)
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


def disk_low(computer: Computer, station: Station) -> Iterator[Condition]:
    """The disk that takes the records is nearly full."""
    free_mb, least_mb = computer.free_mb, station.service.min_free_mb
    sight: Sight = "between"
    if free_mb < least_mb:
        sight = "wrong"
    elif free_mb > _CLEAR_OF_DISK * least_mb:
        sight = "fine"
    text = f"{free_mb:.0f} MB free on the disk, under {least_mb:.0f}."
    yield Condition("disk_low", "computer", sight, text)


def computer_clock(computer: Computer, _: Station) -> Iterator[Condition]:
    """The clock of this computer cannot be trusted."""
    text = (
        f"This computer's clock is in doubt: {computer.clock_doubt}. Until it agrees with"
        " records again nothing is removed from the archive, and no summary is made. Set"
        " the clock; if it is right, start the service with --clock-is-right."
    )
    sight: Sight = "wrong" if computer.clock_doubt else "fine"
    yield Condition("computer_clock", "computer", sight, text)


def database_away(computer: Computer, _: Station) -> Iterator[Condition]:
    """The database cannot be written."""
    text = (
        f"The database cannot be written: {computer.database}. Brokers, folders and this"
        " computer's disk keep the records until it can."
    )
    yield Condition("database_away", "database", "wrong" if computer.database else "fine", text)


def source_clock(computer: Computer, _: Station) -> Iterator[Condition]:
    """Most records of a source are dated after their arrival."""
    for source, ahead in computer.ahead.items():
        text = (
            f"Most records of {source} are dated after their arrival, and are in quarantine."
            " Set the logger's clock, or correct clock of the source in the station file;"
            " then bring the files again."
        )
        yield Condition("source_clock", source, "wrong" if ahead else "fine", text)


OF_RECORDS: Final[dict[str, Callable[[RecordsNow], Iterator[Condition]]]] = {
    "no_records": no_records,
    "analyzer_silent": analyzer_silent,
    "chamber_hot": chamber_hot,
    "lid_stuck": lid_stuck,
    "leak_suspected": leak_suspected,
}
OF_COMPUTER: Final[dict[str, Callable[[Computer, Station], Iterator[Condition]]]] = {
    "disk_low": disk_low,
    "computer_clock": computer_clock,
    "database_away": database_away,
    "source_clock": source_clock,
}
"""Rule → its function; together all that ``stream.alert_rules`` names."""
