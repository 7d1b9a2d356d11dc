"""Closures of one analyzer become results: points, fits, choice, detection limit."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stream.compute.closures.calibrate import StandardVisits, calibrated, standards_of
from stream.compute.closures.headspace import (
    HeadspaceConditions,
    Sensors,
    headspace_of,
    judged,
    moles_and_error,
    sensor_channels,
    surroundings,
    time_constants,
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
from stream.science.flux.flux import Headspace, detection_limit, line_slope_se
from stream.science.flux.soil_storage import bias_factors
from stream.science.models import MODELS
from stream.science.models.choice import choose
from stream.science.models.fit import lay_end_to_end
from stream.station import Analyzer, Station
from stream.store.journal.journal import Journal, Series
from stream.store.results.changes import Result, Row
from stream.times import SECOND

POOR_FIT = 5.0
"""Residual standard deviation over the stated precision, from which a fit is poor."""
POOR_SHARE = 0.005
"""The same over the rise: what is less bears on no flux [common practice, no source]."""


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
    if not events:
        return []
    rules = station.closure
    dead, longest = round(rules.dead_band_s * SECOND), round(rules.max_duration_s * SECOND)
    mixing = round(analyzer.mixing_s * SECOND)
    surely = [surely_closed_until(station, e.lid) for e in events]
    closed = [e.lid.closed_us for e in events]
    windows = windows_of(zip(closed, surely, strict=True), dead, longest, mixing)
    around, records = _read(station, analyzer, events, windows, journal)
    known = [i for i, e in enumerate(events) if e.before is not None]
    past = [e.before for e in events if e.before is not None]
    past_lids = [as_lid(*edges) for edges in past]
    past_windows = windows_of(past, dead, longest, mixing)
    runs = port_runs(analyzer, records) if analyzer.selector else NO_RUNS
    stays: list[list[PortVisit]] = [[] for _ in events]
    past_stays: list[list[PortVisit]] = [[] for _ in past_lids]
    if analyzer.shared:
        stays = stays_of(analyzer, runs, [(e.chamber, e.lid) for e in events])
        chambers = [events[i].chamber for i in known]
        past_stays = stays_of(analyzer, runs, list(zip(chambers, past_lids, strict=True)))
    points: dict[str, list[Points]] = {}
    earlier: list[dict[str, PreviousClosure]] = [{} for _ in events]
    for gas in analyzer.gases:
        view = gas_data_of(station, analyzer, gas, records, runs)
        points[gas] = view.points([e.lid for e in events], windows, stays)
        levels = levels_of(view.ends(past_lids, past_windows, past_stays))
        for i, before in zip(known, levels, strict=True):
            earlier[i][gas] = before
    return results_of(station, analyzer, events, around, points, earlier)


def as_lid(closed_us: int, opened_us: int) -> LidClosure:
    """A closure of which no more than its edges matters."""
    return LidClosure(closed_us, opened_us, True, True, False, 0, 0, 0, 0)


def results_of(
    station: Station,
    analyzer: Analyzer,
    events: Sequence[Event],
    around: Sequence[HeadspaceConditions],
    points: Mapping[str, Sequence[Points]],
    earlier: Sequence[Mapping[str, PreviousClosure]] = (),
) -> list[Result]:
    """Results of closures whose points are known, however they were sampled.

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
    list of Result
        As :func:`evaluate`.
    """
    fluxes: list[list[dict[str, Any]]] = [[] for _ in events]
    fits: list[list[tuple[Any, ...]]] = [[] for _ in events]
    visits: list[list[Row]] = [[] for _ in events]
    waters = np.full(len(events), np.nan)
    for mine in points.values():
        waters = np.fmax(waters, [p.water for p in mine])
    closed = [e.lid.closed_us for e in events]
    around = water_judged(analyzer, judged(station, around, closed), waters)
    for gas, mine in points.items():
        _gas_rows(station, analyzer, gas, events, around, mine, fluxes, fits)
        for i, p in enumerate(mine):
            visits[i] += [{"gas": gas, **row} for row in p.visits]
    known = earlier or [{} for _ in events]
    seal = judge_gases(station, analyzer, events, around, fluxes, points, known)
    return closure_results(events, around, waters.tolist(), fluxes, fits, visits, seal)


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
        if not self.analyzer.shared:
            closed = [lid.closed_us for lid in lids]
            return self._calibrated(own_line_points(self.samples, windows, closed, rules), lids)
        flush = round(self.analyzer.flush_s * SECOND)
        mixing = round(self.analyzer.mixing_s * SECOND)
        precision = precision_nmol(self.station, self.analyzer, self.gas)
        found = [
            visit_points(self.samples, window, lid.closed_us, stay, flush, mixing, precision, rules)
            for lid, window, stay in zip(lids, windows, stays, strict=True)
        ]
        return self._calibrated(found, lids)

    def _calibrated(self, points: list[Points], lids: Sequence[LidClosure]) -> list[Points]:
        if self.kind is None:
            return points
        return [
            calibrated(p, lid, self.standards, self.analyzer, self.kind, areas=self.areas)
            for p, lid in zip(points, lids, strict=True)
        ]


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


def _gas_rows(
    station: Station,
    analyzer: Analyzer,
    gas: str,
    events: Sequence[Event],
    around: Sequence[HeadspaceConditions],
    points: Sequence[Points],
    fluxes: list[list[dict[str, Any]]],
    fits: list[list[tuple[Any, ...]]],
) -> None:
    """Fit one gas of all events, and add its rows of fluxes and fits to each."""
    precision = precision_nmol(station, analyzer, gas)
    for known in (False, True):
        which = [i for i, p in enumerate(points) if p.known_variance is known]
        if not which:
            continue
        chosen_points = [points[i] for i in which]
        air = headspace_of(
            station,
            [events[i].chamber for i in which],
            [around[i] for i in which],
            np.array([p.water for p in chosen_points]),
        )
        areas = counts_areas(station, analyzer, gas)
        tau = None
        if station.models.chamber_bias == "soil_storage":
            tau = time_constants(
                gas, [events[i].chamber for i in which], [around[i] for i in which]
            )
        outcome = _fit(station, chosen_points, known, precision, air, tau, areas=areas)
        mine = [events[i] for i in which]
        flags = [events[i].flags | around[i].flags for i in which]
        rows = outcome.flux_rows(gas, mine, chosen_points, flags)
        for i, row, models in zip(which, rows, outcome.model_rows(gas), strict=True):
            fluxes[i].append(row)
            fits[i] += models


def _fit(
    station: Station,
    points: Sequence[Points],
    known: bool,
    precision: float | None,
    air: Headspace,
    tau: NDArray[np.float64] | None,
    *,
    areas: bool,
) -> Outcome:
    """Fit every candidate, choose, and put a detection limit beside each."""
    segments = lay_end_to_end(
        [p.t for p in points],
        [p.y for p in points],
        [p.w for p in points],
        known_variance=known,
    )
    candidates = {name: MODELS[name].fit(segments) for name in station.models.candidates}
    first = np.array([p.t[0] if len(p.t) else np.nan for p in points])
    span = np.array([p.t[-1] if len(p.t) else np.nan for p in points]) - first
    choice = choose(candidates, span, first, known_variance=known, rule=station.models.default)
    moles, relative = moles_and_error(air)
    relative = np.hypot(relative, [p.gain_relative_se for p in points])
    limit = detection_limit(choice.noise_se, choice.dof, moles)
    rise = np.abs(choice.slope) * span
    if known:
        # Of visits the noise is in terms of their own errors; weights turn it into a mole fraction.
        weight = np.array([float(np.mean(p.w)) if len(p.w) else np.nan for p in points])
        scatter = np.sqrt(choice.noise_variance / weight)
        poor = choice.noise_variance > POOR_FIT**2
    elif precision is None:
        scatter, poor = np.sqrt(choice.noise_variance), np.zeros(len(points), dtype=bool)
    else:
        spacing = np.array([p.spacing_s for p in points])
        sigma = precision * np.sqrt(np.fmax(1.0, 1.0 / spacing))
        if areas:
            sigma = sigma * np.abs([p.gain for p in points])
        least = line_slope_se(sigma, span, segments.points) * np.sqrt(choice.noise_ratio)
        limit = np.fmax(limit, detection_limit(least, np.inf, moles))
        scatter = np.sqrt(choice.noise_variance)
        poor = scatter > POOR_FIT * sigma
    poor &= scatter > POOR_SHARE * rise
    bias = None if tau is None else bias_factors(segments, tau, choice.chosen, choice.models)
    return Outcome(candidates, choice, moles, relative, limit, poor, bias)
