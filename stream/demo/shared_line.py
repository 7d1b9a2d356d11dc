"""A station whose twelve chambers share one analyzer through a port selector."""

import numpy as np
from numpy.typing import NDArray

from stream.demo import nature
from stream.demo.faults import SharedAnalyzerFaults
from stream.demo.own_line import slow_table
from stream.demo.record import Simulation, Table, TrueFlux
from stream.demo.scenario import AMBIENT, DAY_S, GASES, Scenario

Floats = NDArray[np.float64]

STEP_S = 2
INTERVAL_S = 10_800
CLOSE_AFTER_S = 300
CLOSED_S = 3_600
GROUP_APART_S = 5_400
STAY_S = 90
DELAY_S = 6
TURNOVER_S = 8.0

STANDARDS = {
    15: {"N2O": 1020.0, "CH4": 3150.0, "CO2": 612_000.0},
    16: {"N2O": 335.0, "CH4": 1910.0, "CO2": 421_000.0},
}
"""Port → dry mole fractions of the standard gas on it [nmol mol⁻¹]."""

NOISE = {"N2O": (0.25, 0.12, 10.0), "CH4": (0.8, 0.4, 10.0), "CO2": (200.0, 90.0, 10.0)}


def closures(scenario: Scenario) -> list[tuple[str, int, int]]:
    """(chamber, closed, opened) of all closures [s since 1970]."""
    end = scenario.start_s + scenario.days * DAY_S
    found = []
    for round_s in range(scenario.start_s, end, INTERVAL_S):
        for group, places in enumerate((scenario.places[:6], scenario.places[6:])):
            closed = round_s + CLOSE_AFTER_S + group * GROUP_APART_S
            if closed + CLOSED_S + 60 < end:
                found += [(p.id, closed, closed + CLOSED_S) for p in places]
    return found


def _ports(scenario: Scenario, t: NDArray[np.int64]) -> NDArray[np.int64]:
    """Port at each moment: the closed group's six and the two standards, round and round."""
    into = (t - scenario.start_s) % INTERVAL_S - CLOSE_AFTER_S
    port = np.zeros(len(t), dtype=np.int64)
    for group in range(2):
        since = into - group * GROUP_APART_S
        stay = (since // STAY_S) % 8
        ports = np.array([*range(6 * group + 1, 6 * group + 7), *STANDARDS])
        closed = (since >= 0) & (since < CLOSED_S)
        port = np.where(closed, ports[stay], port)
    return port


def simulate(scenario: Scenario) -> Simulation:
    """Simulate the whole record, with faults if the scenario says so."""
    rng = np.random.RandomState(scenario.seed)
    n = scenario.days * DAY_S // STEP_S
    t = scenario.start_s + STEP_S * np.arange(n, dtype=np.int64)
    clock = t.astype(np.float64)
    outside = nature.ambient_water(clock, scenario)
    port = _ports(scenario, t)
    planned = closures(scenario)
    truth: list[TrueFlux] = []
    inlet = {gas: np.full(n, AMBIENT[gas]) for gas in GASES}
    water = outside.copy()
    lids = {}
    for place in scenario.places:
        lid = np.zeros(n)
        mine = port == place.port
        for name, closed, opened in planned:
            if name != place.id:
                continue
            a, b = np.searchsorted(t, (closed, opened))
            lid[a:b] = 1.0
            lid[max(0, a - 4) : a] = 2.0
            lid[b : b + 4] = 2.0
            seconds = (t[a:b] - closed).astype(np.float64)
            height = place.height_m + scenario.height_error_m * rng.standard_normal()
            base = float(nature.ambient_water(np.array([float(closed)]), scenario)[0])
            seen = mine[a:b]
            water[a:b][seen] = nature.headspace_water(seconds, base)[seen]
            for gas in GASES:
                dry, flux = nature.headspace_dry(
                    place, gas, float(closed), seconds, scenario, height
                )
                inlet[gas][a:b][seen] = dry[seen]
                truth.append(TrueFlux(place.id, gas, closed, opened, flux))
        lids[place.id] = lid
    for number, gases in STANDARDS.items():
        there = port == number
        water[there] = 0.0001
        for gas in GASES:
            inlet[gas][there] = gases[gas]
    fast = _records(t, inlet, water, port, lids, rng)
    simulation = Simulation(fast, slow_table(scenario, rng), truth)
    if scenario.faults:
        SharedAnalyzerFaults(scenario).change_records(simulation, planned)
    return simulation


def _records(
    t: NDArray[np.int64],
    inlet: dict[str, Floats],
    water: Floats,
    port: NDArray[np.int64],
    lids: dict[str, Floats],
    rng: np.random.RandomState,
) -> Table:
    """What the analyzer records of the air at its inlet, wet and with its noise."""
    n = len(t)
    delay, memory = DELAY_S // STEP_S, TURNOVER_S / STEP_S
    wet_water = nature.analyzer_response(water, delay, memory)
    columns: dict[str, Floats] = {}
    for gas in GASES:
        wet = nature.analyzer_response(inlet[gas], delay, memory) * (1.0 - wet_water)
        white, red, keep = NOISE[gas]
        columns[gas] = wet + nature.red_noise(rng, n, white, red, keep, STEP_S)
    return Table(
        t,
        {
            "n2o": columns["N2O"],
            "ch4": columns["CH4"],
            "co2": columns["CO2"] / 1e3,
            "h2o": wet_water * 1e3 + 0.01 * rng.standard_normal(n),
            "laser_status": np.zeros(n),
            "port": port.astype(np.float64),
            **{f"lid_{name.lower()}": lid for name, lid in lids.items()},
        },
        {"n2o": 2, "ch4": 1, "co2": 2, "h2o": 2, "laser_status": 0, "port": 0},
    )
