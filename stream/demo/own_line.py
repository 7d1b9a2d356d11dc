"""A station whose chambers close one at a time on a fast analyzer, second by second."""

import numpy as np
from numpy.typing import NDArray

from stream.demo import nature
from stream.demo.faults import OwnLineFaults
from stream.demo.record import PlannedClosure, Simulation, Table, TrueFlux
from stream.demo.scenario import AMBIENT, DAY_S, GASES, Scenario

INTERVAL_S = 10_800
SLOT_S = 900
CLOSE_AFTER_S = 90
CLOSED_S = 690
MOVING_S = 6
DELAY_S = 6
TURNOVER_S = 2.0
"""Delay and turnover together are the lag of the station file: 8 s."""

NOISE = {"N2O": (0.22, 0.18, 5.0), "CH4": (0.6, 0.5, 5.0), "CO2": (180.0, 90.0, 5.0)}
"""Gas → white and red standard deviation [nmol mol⁻¹] and memory [s]."""


def plan(scenario: Scenario) -> list[PlannedClosure]:
    """All closures in order: every chamber each three hours, one slot after the other."""
    end = scenario.start_s + scenario.days * DAY_S
    first = scenario.start_s - scenario.start_s % INTERVAL_S
    closures = []
    for round_s in range(first, end, INTERVAL_S):
        for n, place in enumerate(scenario.places):
            closed = round_s + n * SLOT_S + CLOSE_AFTER_S
            if closed + CLOSED_S > scenario.start_s and closed < end:
                closures.append(PlannedClosure(place, closed, closed + CLOSED_S))
    return closures


def simulate(scenario: Scenario) -> Simulation:
    """Simulate the whole record, with faults if the scenario says so."""
    # The legacy stream is frozen: the same samples from any numpy.
    rng = np.random.RandomState(scenario.seed)
    n = scenario.days * DAY_S
    t = scenario.start_s + np.arange(n, dtype=np.int64)
    closures = plan(scenario)
    faults = OwnLineFaults(scenario, closures) if scenario.faults else None
    if faults:
        faults.change_plan()
    outside = nature.ambient_water(t.astype(np.float64), scenario)
    inlet = {gas: np.full(n, AMBIENT[gas]) for gas in GASES}
    water = outside.copy()
    lids = {place.id: np.zeros(n) for place in scenario.places}
    sharing = np.zeros(n)
    truth: list[TrueFlux] = []
    for closure in closures:
        if not closure.happens:
            continue
        _close(scenario, closure, t, inlet, water, sharing, rng, truth)
        _move_lid(lids[closure.place.id], closure, t)
    for gas in GASES:
        # Two open lines on one inlet: the analyzer sees their mean.
        inlet[gas] = np.where(
            sharing > 1,
            AMBIENT[gas] + (inlet[gas] - AMBIENT[gas]) / np.maximum(sharing, 1),
            inlet[gas],
        )
    columns = {}
    wet_water = nature.analyzer_response(water, DELAY_S, TURNOVER_S)
    for gas in GASES:
        wet = nature.analyzer_response(inlet[gas], DELAY_S, TURNOVER_S) * (1.0 - wet_water)
        white, red, memory = NOISE[gas]
        drift = 0.002 * AMBIENT[gas] * np.sin(2 * np.pi * (t - t[0]) / 200_000.0)
        columns[gas] = wet + nature.red_noise(rng, n, white, red, memory, 1.0) + drift
    fast = Table(
        t,
        {
            "n2o": columns["N2O"],
            "ch4": columns["CH4"],
            "co2": columns["CO2"] / 1e3,
            "h2o": wet_water * 1e3 + 0.01 * rng.standard_normal(n),
            "laser_status": np.zeros(n),
            **{f"lid_{place.id.lower()}": lids[place.id] for place in scenario.places},
        },
        {"n2o": 2, "ch4": 1, "co2": 2, "h2o": 2, "laser_status": 0},
    )
    simulation = Simulation(fast, slow_table(scenario, rng), truth)
    if faults:
        faults.change_records(simulation)
    return simulation


def _close(
    scenario: Scenario,
    closure: PlannedClosure,
    t: NDArray[np.int64],
    inlet: dict[str, NDArray[np.float64]],
    water: NDArray[np.float64],
    sharing: NDArray[np.float64],
    rng: np.random.RandomState,
    truth: list[TrueFlux],
) -> None:
    """Fill a closure and the flushing after it into the inlet's air."""
    a, b = np.searchsorted(t, (closure.closed_s, closure.opened_s))
    if a >= b:
        return
    seconds = (t[a:b] - closure.closed_s).astype(np.float64)
    height = closure.place.height_m + scenario.height_error_m * rng.standard_normal()
    base = float(nature.ambient_water(np.array([float(closure.closed_s)]), scenario)[0])
    alone = sharing[a:b] == 0
    sharing[a:b] += 1
    moist = nature.headspace_water(seconds, base)
    water[a:b] = np.where(alone, moist, 0.5 * (water[a:b] + moist))
    flushing = slice(b, min(b + 60, len(t)))
    gone = np.exp(-(t[flushing] - closure.opened_s) / 12.0)
    water[flushing] += (water[b - 1] - water[flushing]) * gone
    for gas in GASES:
        dry, flux = nature.headspace_dry(
            closure.place, gas, float(closure.closed_s), seconds, scenario, height
        )
        inlet[gas][a:b] += dry - AMBIENT[gas]
        inlet[gas][flushing] += (dry[-1] - AMBIENT[gas]) * gone
        truth.append(TrueFlux(closure.place.id, gas, closure.closed_s, closure.opened_s, flux))


def _move_lid(lid: NDArray[np.float64], closure: PlannedClosure, t: NDArray[np.int64]) -> None:
    a, b = np.searchsorted(t, (closure.closed_s, closure.opened_s))
    lid[max(0, a - MOVING_S) : a] = 2.0
    lid[a:b] = 1.0
    lid[b : b + MOVING_S] = 2.0


def slow_table(scenario: Scenario, rng: np.random.RandomState) -> Table:
    """Air and soil sensors, once a minute."""
    t = scenario.start_s + 60 * np.arange(scenario.days * 1440, dtype=np.int64)
    clock = t.astype(np.float64)
    air, soil = (
        nature.air_temperature_c(clock, scenario),
        nature.soil_temperature_c(clock, scenario),
    )
    wet = nature.soil_moisture(clock, scenario)
    columns = {"p_air": nature.pressure_pa(clock, scenario) / 100.0}
    digits = {"p_air": 2}
    for n, place in enumerate(scenario.places):
        key = place.id.lower()
        columns[f"t_{key}"] = air + 0.05 * rng.standard_normal(len(t))
        columns[f"ts_{key}"] = soil + 0.1 * (n % 3) + 0.02 * rng.standard_normal(len(t))
        columns[f"vwc_{key}"] = wet + 0.005 * (n % 4) + 0.0005 * rng.standard_normal(len(t))
        digits |= {f"t_{key}": 2, f"ts_{key}": 2, f"vwc_{key}": 3}
    return Table(t, columns, digits)
