"""Two stations in rough weather, records every ten seconds: an own line, and a shared analyzer."""

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from rough_nature import DAY_S, Nature, Place, fluxes, nature, saturation_pa

GAS_CONSTANT = 8.31446261815324
EVERY_S = 10
GASES = ("N2O", "CH4", "CO2")
NOISE = {"N2O": 0.25, "CH4": 0.9, "CO2": 0.25}
"""Of one reading, in the channel's unit."""
AREA_M2, EXTRA_M3, LAG_S = 0.2, 0.0006, 7.0
STANDARDS = {15: (310.0, 1500.0, 380.0), 16: (1200.0, 2600.0, 900.0)}
"""Port → N2O, CH4 and CO2 of the gas."""

Columns = dict[str, tuple[np.ndarray, np.ndarray]]


def moment(text: str) -> int:
    """A day's beginning in UTC [s since 1970]."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


# Seeds 41 to 44: nothing was set on these seasons. Others, 31 to 34, showed two flags that
# came up wrongly on frozen soil, before that was mended.
PLACES = {
    ("own", "spring"): Place(49.9, 15.2, 310.0, moment("2026-04-20"), 60, 41, 16.0, 8.0, 12, True),
    ("own", "winter"): Place(49.9, 15.2, 310.0, moment("2026-12-10"), 60, 42, 0.5, 4.0, 70, False),
    ("shared", "spring"): Place(
        -33.4, -66.0, 900.0, moment("2026-10-05"), 60, 43, 19.0, 9.0, 9, True
    ),
    ("shared", "winter"): Place(
        -33.4, -66.0, 900.0, moment("2026-06-01"), 60, 44, 5.0, 8.0, 70, True
    ),
}


@dataclass(frozen=True)
class Made:
    """A station's file, its records, and the true fluxes: (chamber, closed_s, gas) → flux."""

    text: str
    columns: Columns
    truth: dict[tuple[str, int, str], float]


def make(kind: str, season: str, days: int | None = None) -> Made:
    """One of :data:`PLACES`, or its first days."""
    place = PLACES[kind, season]
    if days is not None:
        place = Place(**{**place.__dict__, "days": days})
    return _own(place) if kind == "own" else _shared(place)


def heights(n: int) -> np.ndarray:
    """Headspace heights of the chambers [m]."""
    return 0.14 + 0.015 * (np.arange(n) % 4)


def strengths(n: int) -> np.ndarray:
    """How strongly each chamber's soil breathes."""
    return 0.6 + 0.25 * (np.arange(n) * 5 % 7) / 3.0


def _under_lids(
    place: Place, found: Nature, closed: np.ndarray, chamber: np.ndarray, n: int
) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Slopes of closures [nmol mol⁻¹ s⁻¹], and their true fluxes."""
    warm = found.at("air_c", closed) + 273.15
    moles = found.at("pressure_pa", closed) / (GAS_CONSTANT * warm)
    moles = moles * (1.0 - found.at("water", closed)) * (heights(n)[chamber] + EXTRA_M3 / AREA_M2)
    true = fluxes(place, found, closed, strengths(n)[chamber])
    return {g: true[g] / moles for g in GASES}, true


def _rise(slope: np.ndarray, since: np.ndarray) -> np.ndarray:
    """Towards the soil's own level; the curve of a two-box model with a slow exchange."""
    k = 1.2e-4
    return slope * -np.expm1(-k * since) / k


def _slow(found: Nature, n: int, shut: list[np.ndarray], rng: np.random.Generator) -> Columns:
    """Sensors once a minute: ``shut`` is, of each chamber, for how long the lid was closed [s]."""
    t = found.t[0] + 60 * np.arange(len(shut[0]))
    clock = t.astype(float)
    columns: Columns = {}
    pressure = found.at("pressure_pa", clock) / 100.0 + 0.15 * rng.standard_normal(len(t))
    columns["baro"] = (t, np.round(pressure, 1))
    for i in range(n):
        heated = found.at("sun", clock) * 11.0 - 1.2 * (found.at("sun", clock) == 0)
        under = heated * -np.expm1(-shut[i] / 420.0)
        air = found.at("air_c", clock) + under + 0.3 * (i % 3) + 0.05 * rng.standard_normal(len(t))
        columns[f"th{i + 1}"] = (t, np.round(air, 2))
        soil = found.at("soil_c", clock) + 0.2 * (i % 3) + 0.02 * rng.standard_normal(len(t))
        columns[f"so{i + 1}"] = (t, np.round(soil, 2))
        wet = found.at("moisture", clock) + 0.01 * (i % 3)
        columns[f"vw{i + 1}"] = (t, np.round(wet + 0.001 * rng.standard_normal(len(t)), 4))
    return columns


def _outdoors(found: Nature, t: np.ndarray) -> dict[str, np.ndarray]:
    """[nmol mol⁻¹] of dry air."""
    return {"N2O": found.at("n2o", t), "CH4": found.at("ch4", t), "CO2": 1e3 * found.at("co2", t)}


def _readings(
    found: Nature,
    t: np.ndarray,
    dry: dict[str, np.ndarray],
    water: np.ndarray | None,
    rng: np.random.Generator,
) -> Columns:
    """What the analyzer writes: noise, a slow drift, and a touch of the hut's temperature."""
    drift = 1.0 + 4e-4 * np.sin(2 * np.pi * (t - t[0]) / (9.3 * DAY_S))
    drift = drift + 2e-5 * (found.at("air_c", t.astype(float)) - 15.0)
    columns: Columns = {}
    for gas, name, digits in (("N2O", "nitrous", 2), ("CH4", "methane", 1), ("CO2", "carbon", 2)):
        value = dry[gas] / (1e3 if gas == "CO2" else 1.0) * drift
        if water is not None:
            value = value * (1.0 - water)
        columns[name] = (t, np.round(value + NOISE[gas] * rng.standard_normal(len(t)), digits))
    if water is not None:
        columns["vapour"] = (t, np.round(1e3 * water + 0.03 * rng.standard_normal(len(t)), 3))
    return columns


def _own(place: Place) -> Made:
    """Six chambers, a quarter of an hour closed in each half; a fast analyzer in moist air."""
    n, slot, length = 6, 1800, 900
    found, rng = nature(place), np.random.default_rng(place.seed + 100)
    t = place.first_s + EVERY_S * np.arange(place.days * DAY_S // EVERY_S)
    lead = 120
    turn = (t - place.first_s) // slot
    closed_at = place.first_s + np.arange(turn[-1] + 1) * slot + lead
    slopes, true = _under_lids(
        place, found, closed_at.astype(float), np.arange(len(closed_at)) % n, n
    )
    # The analyzer sees at t what entered the line a lag before.
    entered = t - LAG_S
    at_inlet = np.clip(((entered - place.first_s) // slot).astype(int), 0, None)
    since = entered - closed_at[at_inlet]
    shut = (since >= 0) & (since < length)
    dry = _outdoors(found, entered)
    for gas in GASES:
        start = _outdoors(found, closed_at.astype(float))[gas]
        held = start[at_inlet] + _rise(slopes[gas][at_inlet], np.maximum(since, 0.0))
        left = _rise(slopes[gas][at_inlet], np.full(len(t), float(length)))
        after = np.where(since >= length, left * np.exp(-(since - length) / 25.0), 0.0)
        dry[gas] = np.where(shut, held, dry[gas] + after)
    outside = found.at("water", entered)
    full = saturation_pa(found.at("soil_c", entered)) / found.at("pressure_pa", entered)
    moist = outside + np.maximum(full - outside, 0.0) * 0.7 * -np.expm1(-np.maximum(since, 0) / 600)
    columns = _readings(found, t, dry, np.where(shut, moist, outside), rng)
    slow_t = place.first_s + 60 * np.arange(place.days * 1440)
    shut_for = []
    for i in range(n):
        mine = turn % n == i
        now = t - closed_at[turn]
        lid = np.where(mine & (now >= 0) & (now < length), 1.0, 0.0)
        moves = ((now >= -10) & (now < 0)) | ((now >= length) & (now < length + 10))
        lid = np.where(mine & moves, 0.5, lid)
        columns[f"lid{i + 1}"] = (t, lid)
        slow_turn = (slow_t - place.first_s) // slot
        slow_now = slow_t - closed_at[slow_turn]
        inside = (slow_turn % n == i) & (slow_now >= 0) & (slow_now < length)
        shut_for.append(np.where(inside, slow_now, 0).astype(float))
    columns |= _slow(found, n, shut_for, rng)
    truth = {
        (f"P{k % n + 1}", int(at), gas): float(true[gas][k])
        for k, at in enumerate(closed_at)
        for gas in GASES
    }
    return Made(_text(place, n, shared=False), columns, truth)


def _shared(place: Place) -> Made:
    """Six lids closed together for an hour in three; a selector, two standards, dry air."""
    n, cycle, length, stay, lead = 6, 10_800, 3600, 80, 300
    found, rng = nature(place), np.random.default_rng(place.seed + 100)
    t = place.first_s + EVERY_S * np.arange(place.days * DAY_S // EVERY_S)
    turn = (t - place.first_s) // cycle
    closed_at = place.first_s + np.arange(turn[-1] + 1) * cycle + lead
    order = np.array([*range(1, n + 1), 15, 16])
    now = t - closed_at[turn]
    shut = (now >= 0) & (now < length)
    port = np.where(shut, order[(now // stay) % len(order)], 0).astype(float)
    entered = t - LAG_S
    inlet_now = entered - closed_at[turn]
    inlet_port = np.where(
        (inlet_now >= 0) & (inlet_now < length),
        order[(inlet_now // stay).astype(int) % len(order)],
        0,
    )
    dry = _outdoors(found, entered)
    truth: dict[tuple[str, int, str], float] = {}
    for i in range(n):
        chamber = np.full(len(closed_at), i)
        slopes, true = _under_lids(place, found, closed_at.astype(float), chamber, n)
        here = inlet_port == i + 1
        for gas in GASES:
            start = _outdoors(found, closed_at.astype(float))[gas]
            held = start[turn] + _rise(slopes[gas][turn], np.maximum(inlet_now, 0.0))
            dry[gas] = np.where(here, held, dry[gas])
            for k, at in enumerate(closed_at):
                truth[f"P{i + 1}", int(at), gas] = float(true[gas][k])
    for number, values in STANDARDS.items():
        for gas, value in zip(GASES, values, strict=True):
            nmol = value * (1e3 if gas == "CO2" else 1.0)
            dry[gas] = np.where(inlet_port == number, nmol, dry[gas])
    # Each change of port is washed out within some seconds.
    for gas in GASES:
        late = dry[gas].copy()
        late[1:] = dry[gas][1:] + (dry[gas][:-1] - dry[gas][1:]) * np.exp(-EVERY_S / 4.0)
        dry[gas] = late
    columns = _readings(found, t, dry, None, rng)
    columns["port"] = (t, port)
    slow_t = place.first_s + 60 * np.arange(place.days * 1440)
    slow_now = slow_t - closed_at[(slow_t - place.first_s) // cycle]
    inside = np.where((slow_now >= 0) & (slow_now < length), slow_now, 0).astype(float)
    for i in range(n):
        columns[f"lid{i + 1}"] = (t, shut.astype(float))
    columns |= _slow(found, n, [inside] * n, rng)
    return Made(_text(place, n, shared=True), columns, truth)


def _text(place: Place, n: int, *, shared: bool) -> str:
    """The station file."""
    zone = "America/Argentina/San_Luis" if shared else "Europe/Prague"
    since = datetime.fromtimestamp(place.first_s, UTC).strftime("%Y-%m-%dT00:00:00Z")
    lines = [
        "[station]",
        f'id = "{"lomada" if shared else "hlinice"}"',
        f"latitude = {place.latitude}",
        f"longitude = {place.longitude}",
        f"elevation_m = {place.elevation_m}",
        f'timezone = "{zone}"',
        'clock = "+00:00"',
        "[database]",
        'url = "sqlite:///season.db"',
        "[[sources]]",
        'kind = "folder"',
        'path = "incoming"',
        "[channels]",
        'nitrous = { unit = "nmol/mol", range = [0.0, 50000.0] }',
        'methane = { unit = "nmol/mol", range = [0.0, 100000.0] }',
        'carbon = { unit = "umol/mol", range = [0.0, 20000.0] }',
        'baro = { unit = "hPa" }',
    ]
    lines += ['port = { unit = "1" }'] if shared else ['vapour = { unit = "mmol/mol" }']
    for i in range(1, n + 1):
        lines += [f'lid{i} = {{ unit = "1" }}', f'th{i} = {{ unit = "degC" }}']
        lines += [f'so{i} = {{ unit = "degC" }}', f'vw{i} = {{ unit = "m3/m3" }}']
    lines += [
        "[[analyzers]]",
        'id = "bench"',
        'gases = { N2O = "nitrous", CH4 = "methane", CO2 = "carbon" }',
        *(['basis = "dry"'] if shared else ['basis = "wet"', 'water_channel = "vapour"']),
        f"lag_s = {LAG_S}",
        "precision = { N2O = 0.25, CH4 = 0.9, CO2 = 0.25 }",
    ]
    if shared:
        lines += ['port_channel = "port"', "flush_s = 25.0"]
        for number, values in STANDARDS.items():
            for gas, value in zip(GASES, values, strict=True):
                lines += ["[[analyzers.standards]]", f"port = {number}", f'gas = "{gas}"']
                lines += [f"value = {value}"]
    for i in range(n):
        lines += [
            "[[chambers]]",
            f'id = "P{i + 1}"',
            'analyzer = "bench"',
            *([f"port = {i + 1}"] if shared else []),
            f'lid_channel = "lid{i + 1}"',
            f"area_m2 = {AREA_M2}",
            f"extra_volume_m3 = {EXTRA_M3}",
            f'air_temperature_channel = "th{i + 1}"',
            'pressure_channel = "baro"',
            f'soil_temperature_channel = "so{i + 1}"',
            f'soil_moisture_channel = "vw{i + 1}"',
            f'plot = "{i // 2 + 1}"',
            f'treatment = "{"slurry" if i % 2 else "none"}"',
            f'heights = [{{ from = "{since}", height_m = {heights(n)[i]:.3f} }}]',
        ]
    lines += [
        "[closure]",
        "dead_band_s = 30.0",
        f"min_duration_s = {1800.0 if shared else 300.0}",
        "max_duration_s = 5400.0",
        "expected_per_day = 8",
        "[summary]",
        "height_days = 400",
    ]
    return "\n".join(lines) + "\n"
