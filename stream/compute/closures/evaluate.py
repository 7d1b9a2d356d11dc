"""Closures of one analyzer become results: points, fits, choice, detection limit."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from stream.compute.closures.calibrate import StandardVisits, calibrated, standards_of
from stream.compute.closures.fits import fit_gas
from stream.compute.closures.headspace import (
    HeadspaceConditions,
    Sensors,
    judged,
    sensor_channels,
    surroundings,
    water_judged,
)
from stream.compute.closures.points import (
    Points,
    Samples,
    analyzer_channels,
    counts_areas,
    end_points,
    kind_of_response,
    own_line_points,
    precision_nmol,
    samples_of,
)
from stream.compute.closures.rows import Event, Outcome, closure_results
from stream.compute.closures.seal import (
    PreviousClosure,
    judge_gases,
    levels_of,
)
from stream.compute.closures.visit_points import PORT_HOLD_US, port_runs, stays_of, visit_points
from stream.science.closures.lid import NO_RUNS, LidClosure, Runs
from stream.science.closures.visits import PortVisit
from stream.science.closures.window import Window, windows_of
from stream.science.flux.calibration import Kind
from stream.station import Analyzer, Chamber, Station
from stream.store.journal.journal import Journal, Series
from stream.store.results.changes import Result, Row
from stream.times import SECOND


@dataclass(frozen=True, slots=True)
class Readings:
    """What is recorded of some closures of one analyzer.

    Attributes
    ----------
    around : list of HeadspaceConditions
        The air under each lid, as the sensors show it.
    views : dict of str to GasData
        Gas → its samples.
    windows : list of Window
        What is fitted of each closure.
    stays : list of list of PortVisit
        The visits of each closure; none on an own line.
    runs : Runs
        Of the selector.
    """

    around: list[HeadspaceConditions]
    views: dict[str, "GasData"]
    windows: list[Window]
    stays: list[list[PortVisit]]
    runs: Runs

    def points(self, lids: Sequence[LidClosure]) -> dict[str, list[Points]]:
        """Gas → the points of each closure."""
        return {g: v.points(lids, self.windows, self.stays) for g, v in self.views.items()}


@dataclass(frozen=True, slots=True)
class Evaluation:
    """Closures of one analyzer, from their points to their results; one entry a closure.

    Settlement stores the results; the page and a preview look at the rest as well.

    Attributes
    ----------
    events : sequence of Event
    around : sequence of HeadspaceConditions
        The air under each lid, as it was used.
    points : mapping of str to sequence of Points
        Gas → points.
    fitted : dict of str to list of (Outcome, int)
        Gas → the fits that hold the closure, and its place in their arrays.
    results : list of Result
    """

    events: Sequence[Event]
    around: Sequence[HeadspaceConditions]
    points: Mapping[str, Sequence[Points]]
    fitted: dict[str, list[tuple[Outcome, int]]]
    results: list[Result]


def evaluate(
    station: Station, analyzer: Analyzer, events: Sequence[Event], journal: Journal
) -> list[Result]:
    """Results of closures that are over.

    Parameters
    ----------
    station, analyzer : Station, Analyzer
        From the station file; the analyzer that all events are on.
    events : sequence of Event
        Closures, best a day's worth at a time.
    journal : Journal
        Where the records are.

    Returns
    -------
    list of Result
        One of kind ``closures`` for each event, with its fluxes, fits and visits. What
        an event becomes does not depend on the others that it is evaluated with.
    """
    return evaluation_of(station, analyzer, events, journal).results if events else []


def evaluation_of(
    station: Station, analyzer: Analyzer, events: Sequence[Event], journal: Journal
) -> Evaluation:
    """As :func:`evaluate`, with the points and fits that the results were made of.

    ``events`` holds one closure at least.
    """
    read = read_closures(station, analyzer, events, journal)
    known = [i for i, e in enumerate(events) if e.before is not None]
    past = [e.before for e in events if e.before is not None]
    past_lids = [as_lid(*edges) for edges in past]
    past_windows = _windows(station, analyzer, past)
    past_stays = _stays(
        analyzer,
        read.runs,
        [(events[i].chamber, lid) for i, lid in zip(known, past_lids, strict=True)],
    )
    among = _among(analyzer, events, read.windows, past_lids, past_windows)
    rest = [k for k, j in enumerate(among) if j is None]
    points = read.points([e.lid for e in events])
    earlier: list[dict[str, PreviousClosure]] = [{} for _ in events]
    for gas, view in read.views.items():
        others = iter(
            view.ends(
                [past_lids[k] for k in rest],
                [past_windows[k] for k in rest],
                [past_stays[k] for k in rest],
            )
        )
        ends = [next(others) if j is None else points[gas][j] for j in among]
        for i, level in zip(known, levels_of(ends), strict=True):
            earlier[i][gas] = level
    return evaluation_of_points(station, analyzer, events, read.around, points, earlier)


def _among(
    analyzer: Analyzer,
    events: Sequence[Event],
    windows: Sequence[Window],
    past_lids: Sequence[LidClosure],
    past_windows: Sequence[Window],
) -> list[int | None]:
    """Which event is the closure before another, of a shared analyzer: there the ends of a
    closure cost as much as all of it.
    """
    place = {
        (e.chamber.id, e.lid.closed_us, e.lid.opened_us, w): i
        for i, (e, w) in enumerate(zip(events, windows, strict=True))
    }
    after = [e for e in events if e.before is not None]
    return [
        place.get((e.chamber.id, lid.closed_us, lid.opened_us, w)) if analyzer.shared else None
        for e, lid, w in zip(after, past_lids, past_windows, strict=True)
    ]


def read_closures(
    station: Station,
    analyzer: Analyzer,
    events: Sequence[Event],
    journal: Journal,
    beyond_us: int = 0,
) -> Readings:
    """Read what bears on some closures, and ``beyond_us`` [µs] more after they opened."""
    until = [(e.lid.closed_us, surely_closed_until(station, e.lid)) for e in events]
    windows = _windows(station, analyzer, until)
    around, records = _read(station, analyzer, events, windows, journal, beyond_us)
    runs = port_runs(analyzer, records) if analyzer.selector else NO_RUNS
    stays = _stays(analyzer, runs, [(e.chamber, e.lid) for e in events])
    views = {gas: gas_data_of(station, analyzer, gas, records, runs) for gas in analyzer.gases}
    return Readings(around, views, windows, stays, runs)


def _stays(
    analyzer: Analyzer, runs: Runs, closures: Sequence[tuple[Chamber, LidClosure]]
) -> list[list[PortVisit]]:
    """The visits of each closure; none on an own line."""
    return stays_of(runs, closures) if analyzer.shared else [[] for _ in closures]


def _windows(
    station: Station, analyzer: Analyzer, closed: Iterable[tuple[int, int]]
) -> list[Window]:
    """What is fitted of closures that were surely closed from a moment to another [µs]."""
    rules = station.closure
    dead, longest = round(rules.dead_band_s * SECOND), round(rules.max_duration_s * SECOND)
    return windows_of(closed, dead, longest, round(analyzer.mixing_s * SECOND))


def as_lid(closed_us: int, opened_us: int) -> LidClosure:
    """A closure of which no more than its edges matters."""
    return LidClosure(closed_us, opened_us, True, True, False, 0, 0, 0, 0)


def evaluation_of_points(
    station: Station,
    analyzer: Analyzer,
    events: Sequence[Event],
    around: Sequence[HeadspaceConditions],
    points: Mapping[str, Sequence[Points]],
    earlier: Sequence[Mapping[str, PreviousClosure]] = (),
) -> Evaluation:
    """Closures whose points are known, however they were sampled.

    Parameters
    ----------
    station, analyzer : Station, Analyzer
        The analyzer that all events are on.
    events, around : sequence of Event, HeadspaceConditions
        Closures, and the air under each lid.
    points : mapping of str to sequence of Points
        Gas → the points of each closure.
    earlier : sequence of mapping, optional
        Of each event: gas → the closure before.

    Returns
    -------
    Evaluation
    """
    fluxes: list[list[dict[str, Any]]] = [[] for _ in events]
    fits: list[list[tuple[Any, ...]]] = [[] for _ in events]
    visits: list[list[Row]] = [[] for _ in events]
    fitted: dict[str, list[tuple[Outcome, int]]] = {}
    waters = np.full(len(events), np.nan)
    for mine in points.values():
        waters = np.fmax(waters, [p.water for p in mine])
    closed = [e.lid.closed_us for e in events]
    around = water_judged(analyzer, judged(station, around, closed), waters)
    for gas, mine in points.items():
        outcomes: dict[int, tuple[Outcome, int]] = {}
        for which, outcome in fit_gas(station, analyzer, gas, events, around, mine):
            outcomes |= {i: (outcome, at) for at, i in enumerate(which)}
            _add_rows(gas, which, outcome, events, around, mine, fluxes, fits)
        fitted[gas] = [outcomes[i] for i in range(len(events))]
        for i, p in enumerate(mine):
            visits[i] += [{"gas": gas, **row} for row in p.visits]
    known = earlier or [{} for _ in events]
    seal = judge_gases(station, analyzer, events, around, fluxes, points, known)
    results = closure_results(events, around, waters.tolist(), fluxes, fits, visits, seal)
    return Evaluation(events, around, points, fitted, results)


def _add_rows(
    gas: str,
    which: Sequence[int],
    outcome: Outcome,
    events: Sequence[Event],
    around: Sequence[HeadspaceConditions],
    points: Sequence[Points],
    fluxes: list[list[dict[str, Any]]],
    fits: list[list[tuple[Any, ...]]],
) -> None:
    """Add the rows of fluxes and fits of one gas to each of some events."""
    flags = [events[i].flags | around[i].flags for i in which]
    rows = outcome.flux_rows(gas, [events[i] for i in which], [points[i] for i in which], flags)
    for i, row, models in zip(which, rows, outcome.model_rows(gas), strict=True):
        fluxes[i].append(row)
        fits[i] += models


def surely_closed_until(station: Station, lid: LidClosure) -> int:
    """The opening; where it is not known well, the last record that says closed [µs]."""
    uncertain = lid.open_gap_us > station.closure.edge_tolerance_s * SECOND
    return lid.opened_us - lid.open_gap_us if uncertain else lid.opened_us


def _read(
    station: Station,
    analyzer: Analyzer,
    events: Sequence[Event],
    windows: Sequence[Window],
    journal: Journal,
    beyond_us: int,
) -> tuple[list[HeadspaceConditions], dict[str, Series]]:
    """Surroundings of each event, and the analyzer's records over all of them."""
    rules = station.closure
    channels = analyzer_channels(analyzer)
    for event in events:
        channels |= sensor_channels(event.chamber)
    if analyzer.selector:
        channels.add(analyzer.selector)
    holds = [rules.hold_s, rules.max_duration_s, 60.0]
    if analyzer.standards:
        holds.append(analyzer.standard_hold_s)
    before = round(max(holds) * SECOND)
    earliest = (e.lid.closed_us if e.before is None else e.before[0] for e in events)
    first = min(earliest) - before
    after = round((analyzer.lag_s + analyzer.after_s) * SECOND) + SECOND
    last = max(w.stop_us for w in windows) + after
    if beyond_us:
        last = max(last, max(e.lid.opened_us for e in events) + after + beyond_us)
    records = journal.read(channels, first, last)
    sensors = Sensors(station, records)
    places = [
        (e.chamber, Window(e.lid.closed_us, w.stop_us))
        for e, w in zip(events, windows, strict=True)
    ]
    return surroundings(station, sensors, places), records


@dataclass(frozen=True, slots=True)
class GasData:
    """One gas on one analyzer over a stretch of records."""

    station: Station
    analyzer: Analyzer
    gas: str
    samples: Samples
    standards: list[StandardVisits]
    areas: bool
    kind: Kind | None
    """Of the response that points are corrected by; None: they stay as they are."""

    def ends(
        self,
        lids: Sequence[LidClosure],
        windows: Sequence[Window],
        stays: Sequence[list[PortVisit]],
    ) -> list[Points]:
        """As :meth:`points`, but of an own line only the first and the last few."""
        if self.analyzer.shared:
            return self.points(lids, windows, stays)
        found = end_points(self.samples, windows, [lid.closed_us for lid in lids])
        return self._calibrated(found, lids)

    def points(
        self,
        lids: Sequence[LidClosure],
        windows: Sequence[Window],
        stays: Sequence[list[PortVisit]],
    ) -> list[Points]:
        """Points of closures, in terms of the standards where there are any."""
        rules = self.station.closure
        closed = [lid.closed_us for lid in lids]
        if not self.analyzer.shared:
            return self._calibrated(own_line_points(self.samples, windows, closed, rules), lids)
        flush = round(self.analyzer.flush_s * SECOND)
        mixing = round(self.analyzer.mixing_s * SECOND)
        precision = precision_nmol(self.station, self.analyzer, self.gas)
        found = visit_points(self.samples, windows, closed, stays, flush, mixing, precision, rules)
        return self._calibrated(found, lids)

    def _calibrated(self, points: list[Points], lids: Sequence[LidClosure]) -> list[Points]:
        if self.kind is None:
            return points
        return calibrated(points, lids, self.standards, self.analyzer, self.kind, areas=self.areas)


def gas_data_of(
    station: Station, analyzer: Analyzer, gas: str, records: dict[str, Series], runs: Runs
) -> GasData:
    """One gas over what was read: its samples made dry, and the standards beside them."""
    samples = samples_of(station, analyzer, gas, records)
    kind, standards = kind_of_response(analyzer, gas), []
    if kind is not None:
        standards = standards_of(station, analyzer, gas, samples, runs, PORT_HOLD_US)
    areas = counts_areas(station, analyzer, gas)
    return GasData(station, analyzer, gas, samples, standards, areas, kind)
