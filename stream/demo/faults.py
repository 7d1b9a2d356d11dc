"""Faults that are injected into the simulated records, and the flags they must raise."""

from collections.abc import Sequence

import numpy as np

from stream.demo.record import PlannedClosure, Simulation
from stream.demo.scenario import DAY_S, Scenario

HOLD_S = 3600


class OwnLineFaults:
    """Faults of a station with a line of its own for each chamber."""

    def __init__(self, scenario: Scenario, closures: Sequence[PlannedClosure]) -> None:
        self.start = scenario.start_s
        self.end = scenario.start_s + scenario.days * DAY_S
        self.closures = list(closures)
        self.notes: list[tuple[str, str, int, str, str]] = []

    def closure(self, chamber: str, hours: float) -> PlannedClosure:
        """The closure of a chamber that follows a time since the start."""
        for closure in self.closures:
            if closure.place.id == chamber and closure.closed_s >= self.start + hours * 3600:
                return closure
        raise LookupError(f"no closure of {chamber} after {hours} h")

    def note(self, flag: str, chamber: str, at_s: int, story: str, gas: str = "") -> None:
        """Remember what must be found."""
        self.notes.append((flag, chamber, at_s, story, gas))

    def change_plan(self) -> None:
        """Faults of lids, which change the air that the analyzer sees."""
        first = self.closures[0]
        self.note("no_close_edge", first.place.id, self.start, "closed at the first record")
        if first.opened_s - self.start < 180:
            self.note("too_short", first.place.id, self.start, "and seen for under three minutes")
        last = self.closures[-1]
        if last.opened_s >= self.end:
            self.note("unfinished", last.place.id, last.closed_s, "still closed at the last record")
        story = "fuse blown: the lid stays open for two closures"
        for hours in (15.0, 18.0):
            lost = self.closure("A3", hours)
            lost.happens = False
            self.note("lid_stuck_open", "A3", lost.closed_s, story)
        stuck = self.closure("A5", 31.0)
        missed = self.closure("A5", 34.0)
        after = self.closure("A5", 37.0)
        stuck.opened_s = missed.closed_s + 1200
        missed.happens = False
        story = "dried mud in the hinge: the lid stays closed over the next closure"
        self.note("too_long", "A5", stuck.closed_s, story)
        self.note("lid_stuck_closed", "A5", missed.closed_s, story)
        self.note("line_shared", "A5", stuck.closed_s, story)
        for closure in self.closures:
            overlaps = closure.closed_s < stuck.opened_s and closure.opened_s > stuck.closed_s
            if overlaps and closure.place.id != "A5" and closure.happens:
                self.note("line_shared", closure.place.id, closure.closed_s, "A5 is stuck closed")
        assert after.closed_s > stuck.opened_s
        short = self.closure("B2", 22.0)
        short.opened_s = short.closed_s + 70
        self.note("too_short", "B2", short.closed_s, "a dip of the supply opens the lid after 70 s")
        self.stuck_half = self.closure("B4", 25.0)
        self.stuck_half.happens = False
        self.note("lid_stuck_moving", "B4", self.stuck_half.closed_s, "a stone under the lid")

    def change_records(self, simulation: Simulation) -> None:
        """Faults of sensors, analyzer and logger, which change what is written."""
        for flag, chamber, at, story, gas in self.notes:
            simulation.inject(flag, chamber, at, story, gas)
        self._lid_records(simulation)
        self._analyzer_records(simulation)
        self._sensor_records(simulation)

    def _lid_records(self, simulation: Simulation) -> None:
        fast = simulation.fast
        half = self.stuck_half
        rows = fast.rows(half.closed_s - 6, half.closed_s + 1500)
        fast.columns["lid_b4"][rows] = 2.0

        slow = self.closure("A2", 28.0)
        fast.columns["lid_a2"][fast.rows(slow.closed_s - 84, slow.closed_s)] = 2.0
        simulation.inject("slow_lid", "A2", slow.closed_s, "closes in 84 s, the battery is low")

        bounced = self.closure("B1", 12.0)
        at = bounced.closed_s + 140
        fast.columns["lid_b1"][fast.rows(at, at + 2)] = 2.0
        simulation.inject("lid_bounce", "B1", bounced.closed_s, "the latch lets go for 2 s")

        edge = self.closure("B6", 19.0)
        fast.keep[fast.rows(edge.closed_s - 20, edge.closed_s + 25)] = False
        simulation.inject(
            "close_time_uncertain", "B6", edge.closed_s + 25, "45 s of records lost at the closing"
        )

        silent = self.closure("A6", 44.0)
        rows = fast.rows(silent.closed_s - 5400, silent.closed_s + 5400)
        fast.columns["lid_a6"][rows] = np.nan
        simulation.inject("no_lid_records", "A6", silent.closed_s, "the lid's cable is bitten")

    def _analyzer_records(self, simulation: Simulation) -> None:
        fast = simulation.fast
        fault = self.closure("B3", 16.0)
        rows = fast.rows(fault.closed_s + 200, fault.closed_s + 260)
        fast.columns["laser_status"][rows] = 4.0
        for name in ("n2o", "ch4", "co2"):
            fast.columns[name][rows] *= 0.7
        simulation.inject("analyzer_fault", "B3", fault.closed_s, "cell pressure off for 60 s")

        hole = self.closure("A1", 21.0)
        fast.keep[fast.rows(hole.closed_s + 150, hole.closed_s + 330)] = False
        simulation.inject("samples_missing", "A1", hole.closed_s, "the logger restarts: 180 s lost")

        gone = self.closure("B5", 40.0)
        rows = fast.rows(gone.closed_s - 60, gone.opened_s + 60)
        for name in ("n2o", "ch4", "co2", "h2o"):
            fast.columns[name][rows] = np.nan
        simulation.inject("no_samples", "B5", gone.closed_s, "the analyzer's pump stands still")

        flat = self.closure("A4", 47.0)
        rows = fast.rows(flat.closed_s - 30, flat.opened_s + 30)
        fast.columns["n2o"][rows] = np.round(fast.columns["n2o"][rows.start], 2)
        simulation.inject("flat_line", "A4", flat.closed_s, "the link repeats one reading", "N2O")

        spike = self.closure("B2", 50.0)
        rows = fast.rows(spike.closed_s + 300, spike.closed_s + 304)
        fast.columns["n2o"][rows] = 99_999.0
        simulation.inject("out_of_range", "B2", spike.closed_s, "four readings of 99999", "N2O")

        leak = self.closure("A2", 52.0)
        rows = fast.rows(leak.closed_s, leak.opened_s)
        gusts = np.random.RandomState(5).standard_normal(rows.stop - rows.start)
        for name, size in (("n2o", 8.0), ("ch4", 25.0), ("co2", 6.0)):
            fast.columns[name][rows] += size * gusts
        simulation.inject("poor_fit", "A2", leak.closed_s, "wind pumps through a torn seal")

    def _sensor_records(self, simulation: Simulation) -> None:
        slow = simulation.slow
        dead = self.closure("A1", 55.0)
        rows = slow.rows(dead.closed_s - 2 * HOLD_S, dead.opened_s + 600)
        slow.columns["t_a1"][rows] = np.nan
        simulation.inject("no_temperature", "A1", dead.closed_s, "thermometer unplugged")

        first, last = self.start + 58 * 3600, self.start + 62 * 3600
        slow.columns["p_air"][slow.rows(first, last)] = np.nan
        held = int(slow.time_s[slow.rows(0, first).stop - 1])
        for closure in self.closures:
            starved = closure.closed_s - held > HOLD_S and closure.opened_s <= last
            if starved and closure.happens:
                simulation.inject(
                    "pressure_assumed", closure.place.id, closure.closed_s, "barometer off for 4 h"
                )


class SharedAnalyzerFaults:
    """Faults of a station whose chambers share an analyzer through a port selector."""

    def __init__(self, scenario: Scenario) -> None:
        self.start = scenario.start_s

    def change_records(
        self, simulation: Simulation, closures: Sequence[tuple[str, int, int]]
    ) -> None:
        """Faults of lids, selector and analyzer."""

        def closure(chamber: str, hours: float) -> tuple[int, int]:
            for name, closed, opened in closures:
                if name == chamber and closed >= self.start + hours * 3600:
                    return closed, opened
            raise LookupError(f"no closure of {chamber} after {hours} h")

        fast = simulation.fast
        closed, opened = closure("A2", 10.0)
        fast.columns["lid_a2"][fast.rows(closed - 10, opened + 10)] = 0.0
        simulation.inject("lid_stuck_open", "A2", closed, "the lid's drive is switched off")

        closed, opened = closure("B1", 20.0)
        middle = fast.rows(closed + 1000, closed + 2400)
        port = fast.columns["port"][middle]
        own = next(p for p, name in enumerate(_ports(), 1) if name == "B1")
        port[port == own] = 0.0
        simulation.inject("visits_missing", "B1", closed, "the selector skips a port once")

        closed, opened = closure("A5", 30.0)
        rows = fast.rows(closed + 600, closed + 1500)
        fast.columns["laser_status"][rows] = 2.0
        for name, a, b in closures:
            if a < closed + 1500 and b > closed + 600:
                simulation.inject("analyzer_fault", name, a, "laser off for 15 min")
                simulation.inject("visits_missing", name, a, "laser off for 15 min")

        closed, opened = closure("B6", 40.0)
        rows = fast.rows(closed - 30, opened + 30)
        for name in ("n2o", "ch4", "co2"):
            fast.columns[name][rows] = np.nan
        for name, a, b in closures:
            if a >= closed - 30 and b <= opened + 30:
                simulation.inject("no_samples", name, a, "analyzer off for an hour")


def _ports() -> list[str]:
    return [f"{row}{n}" for row in "AB" for n in range(1, 7)]
