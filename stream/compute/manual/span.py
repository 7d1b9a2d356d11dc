"""Vials become closures, on the same path as the records of a lid."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from stream.compute.closures.evaluate import Evaluation, evaluation_of_points
from stream.compute.closures.headspace import (
    HeadspaceConditions,
    Sensors,
    judged,
    sensor_channels,
    surroundings,
)
from stream.compute.closures.points import Points
from stream.compute.closures.rows import Event
from stream.compute.closures.segments import lid_flags, micros
from stream.compute.manual.run_values import run_values
from stream.compute.manual.vials import diluted, hand_points, match
from stream.compute.span import SettlementContext, commits_by_day
from stream.manual.closures import ManualClosure, closures_in
from stream.manual.tables import ManualTable
from stream.science.closures.order import swapped_times
from stream.science.closures.window import Window
from stream.science.flux.constants import ZERO_CELSIUS_K
from stream.science.quality.flags import BIT, bits_of
from stream.station import Analyzer
from stream.store.results.changes import Changes, Result, Scope
from stream.times import DAY, SECOND


class ManualTask:
    """The chambers of one analyzer of vials over one span (first, last) [µs]."""

    def __init__(
        self,
        context: SettlementContext,
        analyzer: Analyzer,
        span: tuple[int, int],
        tables: Sequence[ManualTable],
    ) -> None:
        self._context = context
        self._analyzer = analyzer
        self._span = span
        self._tables = tables
        self.pending: dict[str, list[Result]] = {}
        """Of no chamber: what is noted of a closure by hand is noted when it is over."""

    def changes(self) -> Iterator[Changes]:
        """The commits, one a day of closures, in order of time."""
        rules = self._context.station.closure
        # A closure lasts a day at most, and a sensor's value is held for a while.
        first = max(self._span[0] - DAY, self._context.kept_from_us)
        stop = self._span[1] + 1 + micros(rules.hold_s)
        chambers = {c.id for c in self._context.station.chambers_on(self._analyzer.id)}
        mine = self.closures(first, stop)
        speaks = [Scope("closures", name, first, stop) for name in chambers]
        if first >= stop:
            return
        days = {c.closed_us // DAY for c in mine}
        for day, parts in commits_by_day(days, speaks).items():
            todays = [c for c in mine if c.closed_us // DAY == day]
            yield Changes(results=self._results(todays), scopes=parts)

    def closures(self, first_us: int, stop_us: int) -> list[ManualClosure]:
        """Closures of the analyzer's chambers that began in a period, the end excluded [µs]."""
        chambers = {c.id for c in self._context.station.chambers_on(self._analyzer.id)}
        return [
            c
            for c in closures_in(self._tables)
            if c.chamber in chambers and first_us <= c.closed_us < stop_us
        ]

    def _results(self, closures: Sequence[ManualClosure]) -> list[Result]:
        return self.evaluation_of(closures).results if closures else []

    def evaluation_of(self, closures: Sequence[ManualClosure]) -> Evaluation:
        """One closure or more, from their vials to their results."""
        station, analyzer = self._context.station, self._analyzer
        around = self._around(closures)
        thin = [diluted(c, a.pressure_pa) for c, a in zip(closures, around, strict=True)]
        flags = [
            lid_flags(c.lid, station.closure) | (BIT["vial_underfilled"] if under else 0)
            for c, (_, under) in zip(closures, thin, strict=True)
        ]
        points: dict[str, list[Points]] = {gas: [] for gas in analyzer.gases}
        values: list[list[np.ndarray]] = [[] for _ in closures]
        runs = [t for t in self._tables if t.kind == "run"]
        vials = [t for t in self._tables if t.kind == "vials"]
        for gas in analyzer.gases:
            measured = [v for run in runs for v in run_values(station, analyzer, gas, run)]
            matched, doubtful = match(vials, measured)
            for i, closure in enumerate(closures):
                found, rows = hand_points(closure, matched, thin[i][0], station.closure)
                points[gas].append(found)
                values[i].append(rows)
                if any((campaign, s.line) in doubtful for campaign, s in closure.samples):
                    flags[i] |= BIT["vial_doubtful"]
        for i, closure in enumerate(closures):
            if self._swapped(closure, [p[i] for p in points.values()], np.array(values[i])):
                flags[i] |= BIT["times_swapped"]
        chambers = {c.id: c for c in station.chambers_on(analyzer.id)}
        events = [
            self._context.marked(Event(chambers[c.chamber], c.lid, f))
            for c, f in zip(closures, flags, strict=True)
        ]
        return evaluation_of_points(station, analyzer, events, around, points)

    @staticmethod
    def _swapped(closure: ManualClosure, points: Sequence[Points], values: np.ndarray) -> bool:
        noise = [float(np.sqrt(1.0 / p.w.min())) if p.known_variance else np.nan for p in points]
        t = np.array([s.sampled_us / SECOND for _, s in closure.samples])
        return swapped_times(t - t[0], values, np.array(noise)) is not None

    def _around(self, closures: Sequence[ManualClosure]) -> list[HeadspaceConditions]:
        """What the sensors say, and what people noted, which comes before it."""
        station = self._context.station
        chambers = {c.id: c for c in station.chambers_on(self._analyzer.id)}
        channels = set().union(*(sensor_channels(chambers[c.chamber]) for c in closures))
        hold = micros(station.closure.hold_s)
        first = min(c.closed_us for c in closures) - hold
        last = max(c.opened_us for c in closures)
        records = self._context.journal.read(channels, first, last)
        places = [(chambers[c.chamber], Window(c.closed_us, c.opened_us)) for c in closures]
        found = surroundings(station, Sensors(station, records), places)
        noted = [_as_noted(near, c) for near, c in zip(found, closures, strict=True)]
        return judged(station, noted, [c.closed_us for c in closures])


def _as_noted(near: HeadspaceConditions, closure: ManualClosure) -> HeadspaceConditions:
    """Height, temperature and pressure as a person noted them stand before all else."""
    flags = near.flags
    height, temperature = closure.noted("height_m"), closure.noted("air_temperature_c")
    pressure = closure.noted("pressure_hpa") * 100.0
    if not np.isnan(height):
        near = replace(near, height_m=height)
        flags &= ~BIT["no_height"]
    if not np.isnan(temperature):
        near = replace(near, air_temperature_k=temperature + ZERO_CELSIUS_K)
        flags &= ~(BIT["no_temperature"] | BIT["temperature_held"])
    if not np.isnan(pressure):
        near = replace(near, pressure_pa=pressure, assumed_pressure=False)
        flags &= ~BIT["pressure_assumed"]
    return replace(near, flags=flags | bits_of(closure.flags))
