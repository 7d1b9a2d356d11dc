"""Lids of one analyzer over a stretch of the journal: closures, gaps, and who shares a line."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol, TypeVar

import numpy as np

from stream.compute.closures.rows import Event
from stream.ingest.batches import OFF
from stream.science.closures.lid import (
    CLOSED,
    NO_RUNS,
    LidClosure,
    Runs,
    closures_of,
    due_times,
    gap_cause,
    join_runs,
    lid_state,
    runs_of,
)
from stream.science.quality.flags import BIT, bits_of
from stream.station import Chamber, ClosureRules, Station
from stream.store.journal.journal import Journal
from stream.times import DAY, SECOND

MINUTE: Final = 60 * SECOND
ClockEvent = tuple[str, int, frozenset[str]]
"""Kind, minute in which a clock is in doubt [µs], channels."""
T = TypeVar("T")


class Workers(Protocol):
    """Other processes that work on the journal (:mod:`stream.compute.workers`)."""

    def over(
        self, work: Callable[..., T], given: tuple[Any, ...], days: Sequence[Any]
    ) -> Iterable[T]:
        """``work(journal, *given, some)`` of a few days after another, in order."""


@dataclass(frozen=True, slots=True)
class Anchor:
    """A moment from which a lid's closures can be found without looking further back.

    Attributes
    ----------
    from_us : int
        The opening of an earlier closure, or the first record of all [µs].
    closed_us : int or None
        When that closure began; None at the first record.
    """

    from_us: int
    closed_us: int | None


@dataclass(frozen=True, slots=True)
class LidRecord:
    """What one lid did from its anchor on."""

    chamber: Chamber
    anchor: Anchor
    runs: Runs
    closures: tuple[LidClosure, ...]


def micros(seconds: float) -> int:
    """Seconds of the station file as whole microseconds."""
    return round(seconds * SECOND)


def read_lids(
    station: Station,
    chambers: Sequence[Chamber],
    anchors: Mapping[str, Anchor],
    end_us: int,
    until_us: int,
    journal: Journal,
    workers: Workers | None,
) -> list[LidRecord]:
    """Closures of several lids from their anchors to ``end_us``, a day read at a time, by
    workers or by this process.

    Reading goes on beyond the end, up to ``until_us``, while a lid is closed there, so
    that no closure is cut by the end of reading.
    """
    hold = micros(station.closure.lid_hold_s)
    asked = [
        (c.lid, float(c.lid_closed), float(c.lid_open), anchors[c.id].from_us) for c in chambers
    ]
    runs = [NO_RUNS for _ in chambers]
    at, stop = min(anchors[c.id].from_us for c in chambers), end_us
    while True:
        days = journal.days(at, stop)
        parts: Iterable[list[Runs]] = (
            workers.over(lid_runs, (asked, hold), days)
            if workers
            else [lid_runs(journal, asked, hold, days)]
        )
        for found in parts:
            runs = [join_runs(a, b, hold) for a, b in zip(runs, found, strict=True)]
        at = stop + 1
        if stop >= until_us or not any(_closed_at_end(r) for r in runs):
            break
        stop = min(stop + DAY, until_us)
    bounce = micros(station.closure.bounce_s)
    return [
        LidRecord(c, anchors[c.id], mine, tuple(closures_of(mine, hold, bounce, until_us)))
        for c, mine in zip(chambers, runs, strict=True)
    ]


def lid_runs(
    journal: Journal,
    lids: Sequence[tuple[str, float, float, int]],
    hold_us: int,
    parts: Sequence[tuple[int, int]],
) -> list[Runs]:
    """Runs of each lid over some stretches of time in a row.

    Parameters
    ----------
    journal : Journal
        Where the records are.
    lids : sequence of (channel, closed, open, from)
        Channel, its values for closed and open, and from when it is of interest [µs].
    hold_us : int
        A silence longer than this ends a run [µs].
    parts : sequence of (first, last)
        Stretches, both ends included [µs].

    Returns
    -------
    list of Runs
    """
    runs = [NO_RUNS for _ in lids]
    for first, last in parts:
        records = journal.read({channel for channel, *_ in lids}, first, last)
        for i, (channel, closed, opened, from_us) in enumerate(lids):
            series = records[channel].filled()
            fresh = int(np.searchsorted(series.times, from_us))
            state = lid_state(series.values[fresh:], closed, opened)
            runs[i] = join_runs(runs[i], runs_of(series.times[fresh:], state, hold_us), hold_us)
    return runs


def _closed_at_end(runs: Runs) -> bool:
    """Whether the last known state is closed, or has only just ceased to be."""
    return len(runs) > 0 and CLOSED in runs.state[-2:]


def lid_flags(lid: LidClosure, rules: ClosureRules) -> int:
    """What is wrong with a closure by its lid alone, as bits."""
    flags = 0
    if not lid.close_seen:
        flags |= BIT["no_close_edge"]
    elif lid.close_gap_us > micros(rules.edge_tolerance_s):
        flags |= BIT["close_time_uncertain"]
    if lid.still_closed:
        return flags
    if not lid.open_seen:
        flags |= BIT["no_open_edge"]
    elif lid.open_gap_us > micros(rules.edge_tolerance_s):
        flags |= BIT["open_time_uncertain"]
    if lid.bounces:
        flags |= BIT["lid_bounce"]
    if lid.moving_us > micros(rules.moving_limit_s):
        flags |= BIT["slow_lid"]
    duration_s = lid.duration_s
    if duration_s < rules.min_duration_s:
        flags |= BIT["too_short"]
    if duration_s > rules.max_duration_s:
        flags |= BIT["too_long"]
    return flags


def events_of(
    station: Station,
    stretches: Sequence[LidRecord],
    others: Sequence[tuple[str, int, int]],
    clock_events: Sequence[ClockEvent] = (),
    *,
    shared: bool,
) -> list[list[Event]]:
    """Events of each lid, with flags.

    Parameters
    ----------
    station : Station
        For its rules.
    stretches : sequence of LidRecord
        All lids of one analyzer.
    others : sequence of (chamber, closed, opened)
        Closures on the same analyzer before the anchors, as stored [µs].
    clock_events : sequence of (kind, minute, channels)
        Minutes in which a clock is in doubt [µs], those of other channels included.
    shared : bool
        Whether a port selector keeps the lines apart.
    """
    rules = station.closure
    spans = [
        *others,
        *((s.chamber.id, c.closed_us, c.opened_us) for s in stretches for c in s.closures),
    ]
    mixed = set() if shared else overlapping(spans, micros(rules.bounce_s))
    result: list[list[Event]] = []
    for stretch in stretches:
        events = []
        anchor = stretch.anchor
        last = None if anchor.closed_us is None else (anchor.closed_us, anchor.from_us)
        for lid in stretch.closures:
            flags = lid_flags(lid, rules)
            if (stretch.chamber.id, lid.closed_us) in mixed:
                flags |= BIT["line_shared"]
            if clock_events:
                flags |= clock_flags(station, stretch.chamber, lid, clock_events)
            recent = last is not None and lid.closed_us - last[1] < DAY
            before = last if recent else None
            events.append(Event(stretch.chamber, lid, flags, before))
            last = lid.closed_us, lid.opened_us
        result.append(events)
    return result


def clock_flags(
    station: Station, chamber: Chamber, lid: LidClosure, clock_events: Sequence[ClockEvent]
) -> int:
    """What the clocks of lid and analyzer cast doubt on during a closure, as bits."""
    analyzer = station.analyzer(chamber.analyzer)
    bearing = {chamber.lid, *analyzer.gases.values()}
    return bits_of(
        "clock_off" if kind == OFF else "clock_unsteady"
        for kind, minute, channels in clock_events
        if minute + MINUTE > lid.closed_us and minute <= lid.opened_us and bearing & channels
    )


def overlapping(spans: Sequence[tuple[str, int, int]], longer_than_us: int) -> set[tuple[str, int]]:
    """Closures (chamber, closed) that shared their line with another lid's.

    Parameters
    ----------
    spans : sequence of (chamber, closed, opened)
        Closures on one line, in any order [µs].
    longer_than_us : int
        How long two lids must be closed together to count [µs].
    """
    found: set[tuple[str, int]] = set()
    active: list[tuple[str, int, int]] = []
    for chamber, closed, opened in sorted(spans, key=lambda span: span[1]):
        active = [a for a in active if a[2] > closed]
        for other, other_closed, other_opened in active:
            if other != chamber and min(opened, other_opened) - closed > longer_than_us:
                found |= {(chamber, closed), (other, other_closed)}
        active.append((chamber, closed, opened))
    return found


def gaps_of(
    station: Station,
    stretch: LidRecord,
    start_us: int,
    stop_us: int,
    until_us: int,
) -> list[tuple[int, str]]:
    """Closures that were due between two moments and did not come: (due, cause).

    Parameters
    ----------
    station : Station
        For ``expected_per_day``; 0 expects nothing.
    stretch : LidRecord
        The lid.
    start_us : int
        The closure before, or the station's first record [µs].
    stop_us : int
        Only what was due before this [µs].
    until_us : int
        The station's last record [µs].
    """
    rules = station.closure
    if not rules.expected_per_day:
        return []
    interval = round(DAY / rules.expected_per_day)
    # However short, a closure has a row that says what happened: it is no gap as well.
    closed = [c.closed_us for c in stretch.closures if c.closed_us >= start_us]
    hold, moving = micros(rules.lid_hold_s), micros(rules.moving_limit_s)
    return [
        (due, gap_cause(stretch.runs, due, interval, hold, moving))
        for due in due_times(closed, start_us, until_us, interval)
        if due < stop_us
    ]
