"""Times in which many channels said nothing together: one cause, and all that follows from it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from stream.report.summary.clock_times import clock_time
from stream.report.summary.findings.finding import Evidence, Finding, among
from stream.report.summary.findings.refused import RefusedSource, behind
from stream.station import Chamber, read_clock
from stream.store.results.readers import Row
from stream.times import SECOND

_MINUTE: Final = 60 * SECOND
_HOUR: Final = 3600 * SECOND
_LEAST_US: Final = 10 * _MINUTE
"""Shortest silence that is told."""
_TIMES_STEP: Final = 6.0
_FEW: Final = 24
"""Records of a day from which a channel has a usual step."""
_NEAR_US: Final = 10 * _MINUTE
"""How far apart the channels of one logger may fall silent and come back."""
_FOLLOWS: Final = frozenset(
    {
        *("no_lid_records", "no_close_edge", "no_open_edge", "close_time_uncertain"),
        *("open_time_uncertain", "unfinished", "no_samples", "samples_missing", "visits_missing"),
        *("few_points", "no_water", "no_temperature", "temperature_held", "pressure_assumed"),
        *("calibration_overdue", "too_short", "too_long", "no_fit", "poor_fit"),
    }
)
_OF_ANALYZER: Final = frozenset(
    {"no_samples", "samples_missing", "visits_missing", "few_points", "no_water", "no_fit"}
) | {"calibration_overdue"}
_OF_SENSORS: Final = frozenset({"no_temperature", "temperature_held", "pressure_assumed"})
_LOAD: Final = (
    "Correct the file, or the station file, and load it again. lidstream export … refused lists"
    " the lines."
)


@dataclass(frozen=True, slots=True)
class Silence:
    """A time without a record of some channels [µs]; its ends may be those of the day."""

    first_us: int
    stop_us: int
    channels: frozenset[str]
    whole_hours: bool = False
    """Whether whole hours are missing, to the record: as of a clock that was set forward."""

    @property
    def hours(self) -> float:
        """[h]"""
        return (self.stop_us - self.first_us) / _HOUR


def of_outages(
    evidence: Evidence,
    gaps: Sequence[Row],
    refused: Sequence[RefusedSource] = (),
    *,
    fresh: bool = False,
) -> Iterator[Finding]:
    """One finding for each group of channels that fell silent and came back together.

    Parameters
    ----------
    evidence : Evidence
    gaps : sequence of rows
        Closures that were due on the day and did not come.
    refused : sequence of RefusedSource
        Files and lines that were not taken, which may hold what is lacking.
    fresh : bool
        As of :func:`refused.behind`.
    """
    recorded, silences = _silences(evidence)
    together: dict[frozenset[str], list[Silence]] = {}
    for s in silences:
        together.setdefault(s.channels, []).append(s)
    for channels, mine in sorted(together.items(), key=lambda item: -len(item[0])):
        if len(channels) < 2 or max(s.hours for s in mine) * _HOUR < _LEAST_US:
            continue
        whole = len(channels) >= 0.9 * len(recorded)
        found = _finding(evidence, gaps, channels, mine, whole=whole)
        longest = max(mine, key=lambda s: s.hours)
        clock = read_clock(evidence.station.station.clock or evidence.station.station.timezone)
        lines = behind(refused, longest.first_us, longest.stop_us, clock, fresh=fresh)
        yield _by_refusal(found, lines) if lines else found


def _silences(evidence: Evidence) -> tuple[set[str], list[Silence]]:
    """Channels that were recorded that day, and their silences, those of one time together."""
    station, day = evidence.station, evidence.day
    by_hand = {c for a in station.analyzers if a.sampling == "vials" for c in a.gases.values()}
    names = [c for c in station.channels if c not in by_hand]
    records = evidence.journal.read(names, day.first_us, day.stop_us - 1)
    known = evidence.journal.extent()
    recorded: set[str] = set()
    found: list[tuple[int, int, str]] = []
    steps: dict[str, float] = {}
    for name in names:
        times = records[name].filled().times
        if not len(times) and name in known and known[name][0] < day.first_us:
            recorded.add(name)
            found.append((day.first_us, day.stop_us, name))
        if len(times) < _FEW:
            continue
        recorded.add(name)
        steps[name] = step = float(np.median(np.diff(times)))
        ends = np.concatenate(([day.first_us], times, [day.stop_us]))
        apart = np.diff(ends)
        long = np.flatnonzero(apart > max(_LEAST_US, _TIMES_STEP * step))
        found += [(int(ends[i]), int(ends[i + 1]), name) for i in long]
    groups: list[list[tuple[int, int, str]]] = []
    for silence in sorted(found):
        for group in groups:
            first, stop, _ = group[0]
            if abs(silence[0] - first) <= _NEAR_US and abs(silence[1] - stop) <= _NEAR_US:
                group.append(silence)
                break
        else:
            groups.append([silence])
    return recorded, [
        Silence(
            min(a for a, _, _ in g),
            max(b for _, b, _ in g),
            frozenset(c for _, _, c in g),
            all(_whole_hours(b - a, steps[c]) for a, b, c in g if steps.get(c, _HOUR) <= _MINUTE),
        )
        for g in groups
    ]


def _whole_hours(length_us: int, step_us: float) -> bool:
    missing = length_us - step_us
    return missing > _HOUR / 2 and abs(missing - round(missing / _HOUR) * _HOUR) <= step_us


def _finding(
    evidence: Evidence,
    gaps: Sequence[Row],
    channels: frozenset[str],
    mine: Sequence[Silence],
    *,
    whole: bool,
) -> Finding:
    station = evidence.station
    where, what, chambers, flags = _who(evidence, channels, whole)
    zone = read_clock(station.station.timezone)
    shown = ", ".join(
        f"{clock_time(s.first_us, zone)}–{clock_time(s.stop_us, zone)}" for s in mine[:4]
    )
    more = f" and {len(mine) - 4} more times" if len(mine) > 4 else ""
    hours = sum(s.hours for s in mine)
    lids = {c.id for c in chambers if whole or c.lid_channel in channels}
    lost = [
        r
        for r in gaps
        if r["chamber"] in lids and r["flags"] == "no_lid_records" and _within(evidence, r, mine)
    ]
    cost = f"; {len(lost)} closure{'s' if len(lost) > 1 else ''} missed" if lost else ""
    still = any(s.stop_us >= evidence.day.stop_us for s in mine)
    state = ", ongoing at the end of the day" if still else ""
    why = f"no data {shown}{more} ({hours:.1f} h in total{state}){cost}"
    explains = {(flag, c.id) for flag in flags for c in chambers}
    explains |= {("silent", channel) for channel in channels}
    names = {a.id for a in station.analyzers if set(a.gases.values()) <= channels}
    explains |= {("silent", name) for name in names}
    if hours > 12.0:
        explains |= {("not_visited", name) for name in names}
    if whole or {c.lid_channel for c in station.chambers if c.lid_channel} <= channels:
        explains.add(("no_closures", "station"))
    if whole and not still and any(s.whole_hours for s in mine):
        why += (
            "; a gap of whole hours can also be a clock that was set forward: check the"
            " logger's clock"
        )
    return Finding(
        1 if still else 2, where, what, why, frozenset(explains), _around(evidence, mine)
    )


def _by_refusal(found: Finding, lines: Sequence[RefusedSource]) -> Finding:
    """The same, with the refused lines as its cause."""
    more = f" and {len(lines) - 2} more files" if len(lines) > 2 else ""
    why = f"{'; '.join(r.told() for r in lines[:2])}{more}; {found.why}"
    return replace(found, where=among([r.source for r in lines]), what=_LOAD, why=why)


def _who(
    evidence: Evidence, channels: frozenset[str], whole: bool
) -> tuple[str, str, list[Chamber], frozenset[str]]:
    """Where it is, what to do, which chambers it bears on, and what follows for them."""
    station = evidence.station
    if whole:
        what = "Check power, logger and data connection of the station."
        return "station", what, list(station.chambers), _FOLLOWS
    analyzers = [a for a in station.analyzers if set(a.gases.values()) <= channels]
    lids = {c.lid_channel for c in station.chambers} & channels
    if analyzers and not lids:
        names = [a.id for a in analyzers]
        chambers = [c for c in station.chambers if c.analyzer in names]
        what = "Check the analyzer, its power and its data connection."
        return ", ".join(names), what, chambers, _OF_ANALYZER
    touched = [
        c
        for c in station.chambers
        if {c.lid_channel, c.air_temperature_channel, c.pressure_channel} & channels
    ]
    flags = _FOLLOWS if lids else _OF_SENSORS
    what = "Check the logger of these channels, its power and its data connection."
    return among(sorted(channels)), what, touched, flags


def _around(evidence: Evidence, mine: Sequence[Silence]) -> tuple[tuple[int, int], ...]:
    """When what a silence explains may lie: closures that it cut, and the first ones after."""
    rules = evidence.station.closure
    due = 86_400 / rules.expected_per_day if rules.expected_per_day else 0.0
    before = round(rules.max_duration_s * SECOND)
    after = round(max(due, rules.hold_s) * SECOND)
    return tuple((s.first_us - before, s.stop_us + after) for s in mine)


def _within(evidence: Evidence, gap: Row, mine: Sequence[Silence]) -> bool:
    return any(a <= gap["due_us"] < b for a, b in _around(evidence, mine))
