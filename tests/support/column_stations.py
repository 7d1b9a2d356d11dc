"""Two kinds of station over soil columns, and their files: station.toml and delimited text.

`shared`: twelve chambers, one analyzer behind a valve manifold with a long tube, two standard
gases. `own`: eight chambers with sensors of their own, half of them moist, half dried, none ever
held against a standard. Nothing here imports lidstream.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from column_soil import Ground, ground, heat, solve
from column_weather import (
    GAS_CONSTANT,
    KELVIN,
    Floats,
    Site,
    Weather,
    draw_site,
    saturation_pa,
    weather,
)
from numpy.typing import NDArray
from scipy.signal import lfilter

GASES = ("N2O", "CH4", "CO2")
Columns = dict[str, tuple[NDArray[np.int64], Floats]]
"""Channel → times [s since 1970] and values."""

CYLINDERS = {
    31: {"N2O": 329.4, "CH4": 1952.0, "CO2": 409.6},
    32: {"N2O": 918.0, "CH4": 3110.0, "CO2": 1236.0},
}
STAY_S = 100
MOVES_S = 12


@dataclass(frozen=True)
class Chamber:
    """One chamber, what lies below it, and when its lid is closed."""

    id: str
    port: int
    area_m2: float
    height_m: float
    plot: int
    block: int
    treatment: str
    position: str
    below: Ground
    closes_s: NDArray[np.int64]
    closed_for_s: int


@dataclass(frozen=True)
class Season:
    """A station file, every column, and the clock in which its logger writes."""

    site: Site
    weather: Weather
    text: str
    columns: Columns
    chambers: list[Chamber]


def season(kind: str, seed: int, days: int) -> Season:
    """A clean season of one kind of station."""
    site = draw_site(seed, days)
    w = weather(site, seed)
    return (_shared if kind == "shared" else _own)(site, w, seed)


def _chambers(site: Site, w: Weather, seed: int, kind: str) -> list[Chamber]:
    rng = np.random.default_rng((seed, 3))
    soil = heat(w)
    fed = site.first_s + int(0.35 * site.days) * 86400 + 8 * 3600
    many, out = (12, []) if kind == "shared" else (8, [])
    for k in range(many):
        plot, position = k // 2 + 1, ("ridge", "furrow")[k % 2]
        treatment = ("slurry", "none")[(k // 2) % 2]
        low = rng.uniform(0.0, 0.3) if position == "ridge" else rng.uniform(0.5, 1.0)
        below = ground(w, soil, low, fed if treatment == "slurry" else None, rng)
        first = (k // 6) * 3600 + 2 * STAY_S if kind == "shared" else 300 + k * 1260
        closes = site.first_s + first + np.arange(site.days * 8) * 10_800
        lasts = 30 * STAY_S if kind == "shared" else 600
        out.append(
            Chamber(
                f"{'mnpqrsuv'[k // 2]}{k % 2 + 1}",
                k + 1,
                round(float(rng.uniform(0.09, 0.30)), 4),
                round(float(rng.uniform(0.11, 0.24)), 3),
                plot,
                k // 4 + 1,
                treatment,
                position,
                below,
                closes,
                lasts,
            )
        )
    return out


def _at(w: Weather, values: Floats, t: Floats) -> Floats:
    """A series of minutes at other times."""
    return np.interp(t, w.time_s, values)


@dataclass(frozen=True)
class Inside:
    """What is in a headspace at some times: dry mole fractions [nmol mol⁻¹], vapour, heat."""

    gas: dict[str, Floats]
    water: Floats
    """[mmol mol⁻¹] of moist air."""
    air_c: Floats


def inside(w: Weather, c: Chamber, t: Floats, rng: np.random.Generator) -> Inside:
    """The headspace of a chamber, with its lid as it was at each time."""
    which = np.searchsorted(c.closes_s, t, side="right") - 1
    some = which >= 0
    began = c.closes_s[np.clip(which, 0, None)].astype(float)
    since = np.where(some, t - began, 1e9)
    shut = since < c.closed_for_s

    sun, air = _at(w, w.sun_w, t), _at(w, w.air_c, t)
    opened = air + sun / 260.0 - 0.5 * (sun <= 0)
    settled = np.clip(since / 1200.0, 0, None)
    closed = _at(w, w.air_c, began) + sun / 260.0 + (sun / 160.0) * (1 - np.exp(-settled))
    warm = np.where(shut, closed, opened)

    gas = {}
    for name in GASES:
        outdoor = _at(w, w.outdoor[name], t)
        start = _at(w, w.outdoor[name], began)
        course = solve(name, c.height_m, c.closed_for_s + 60.0, 1.2e-5)
        rise = np.zeros(len(t))
        last = np.zeros(len(c.closes_s))
        minute = np.clip((c.closes_s - w.time_s[0]) // 60, 0, len(w.time_s) - 1)
        pores = 0.50 - c.below.water[minute]
        flux = c.below.flux[name][minute]
        moles = _at(w, w.pressure_pa, c.closes_s) / (
            GAS_CONSTANT * (_at(w, w.air_c, c.closes_s) + KELVIN)
        )
        edges = np.searchsorted(which, [np.arange(len(c.closes_s)), np.arange(len(c.closes_s)) + 1])
        for k in range(len(c.closes_s)):
            # Nanomoles over moles of air: the course holds moles for one mole a second.
            a, b = edges[0][k], edges[1][k]
            run = flux[k] / moles[k]
            rise[a:b] = run * course.at(pores[k], np.minimum(since[a:b], c.closed_for_s))
            last[k] = run * course.at(pores[k], np.array([float(c.closed_for_s)]))[0]
        airs = np.exp(-np.clip(since - c.closed_for_s, 0, 2000) / 35.0)
        held = np.where(some, last[np.clip(which, 0, None)] + start - outdoor, 0.0)
        gas[name] = np.where(shut, start + rise, outdoor + held * airs)

    dew = _at(w, w.vapour_pa + w.droplets_pa, t)
    full = 0.97 * saturation_pa(warm - 0.6)
    damp = np.clip(float(np.median(c.below.water)) / 0.25, 0.3, 1.0)
    rest = np.where(
        shut, np.exp(-since / 300.0), np.exp(-np.clip(since - c.closed_for_s, 0, 3000) / 90)
    )
    vapour = np.where(
        shut,
        dew + (np.maximum(full, dew * 0.995) - dew) * damp * (1 - rest),
        dew + (np.maximum(full, dew) - dew) * damp * rest * some,
    )
    return Inside(gas, 1000.0 * vapour / _at(w, w.pressure_pa, t), warm)


def _noise(rng: np.random.Generator, n: int, white: float, red: float, memory: float) -> Floats:
    keep = np.exp(-1.0 / memory)
    slow = lfilter([np.sqrt(1 - keep**2)], [1, -keep], rng.normal(0, red, n))
    return rng.normal(0, white, n) + slow


def _lag(values: Floats, step_s: float, mixing_s: float) -> Floats:
    keep = np.exp(-step_s / mixing_s)
    return lfilter([1 - keep], [1, -keep], values, zi=[values[0] * keep])[0]


def _lid(c: Chamber, t: NDArray[np.int64]) -> Floats:
    which = np.searchsorted(c.closes_s, t + MOVES_S, side="right") - 1
    since = np.where(which >= 0, t - c.closes_s[np.clip(which, 0, None)], 10**9)
    lid = np.zeros(len(t))
    lid[(since >= 0) & (since < c.closed_for_s)] = 1
    lid[(since >= -MOVES_S) & (since < 0)] = 2
    lid[(since >= c.closed_for_s) & (since < c.closed_for_s + MOVES_S)] = 2
    return lid


def _slow(w: Weather, chambers: list[Chamber], rng: np.random.Generator) -> Columns:
    t = w.time_s
    n = len(t)
    out: Columns = {"p_air": (t, np.round((w.pressure_pa + rng.normal(0, 4, n)) / 100, 2))}
    for c in chambers:
        warm = inside(w, c, t.astype(float), rng).air_c + rng.normal(0, 0.15)
        # Melting frost holds a thermometer near zero for a while.
        frost = (w.air_c < -0.5) & (w.sun_w <= 0)
        iced = np.convolve(frost, np.ones(90), mode="full")[:n] > 60
        warm = np.where(iced & (warm > 0) & (warm < 2.0), 0.05, warm)
        out[f"t_{c.id}"] = (t, np.round(warm + rng.normal(0, 0.05, n), 2))
        out[f"ts_{c.id}"] = (t, np.round(c.below.soil_c + rng.normal(0, 0.02, n), 2))
        moist = c.below.water + rng.normal(0, 0.0015, n)
        out[f"vwc_{c.id}"] = (t, np.round(moist, 4))
    return out


def _shared(site: Site, w: Weather, seed: int) -> Season:
    rng = np.random.default_rng((seed, 4))
    chambers = _chambers(site, w, seed, "shared")
    t = site.first_s + np.arange(0, site.days * 86400, 5, dtype=np.int64)
    n = len(t)
    hour, stay = (t - site.first_s) // 3600 % 3, (t - site.first_s) % 3600 // STAY_S
    port = np.full(n, 30.0)
    port[stay == 0], port[stay == 1] = 31, 32
    for g in (0, 1):
        on = (hour == g) & (stay >= 2) & (stay < 32)
        port[on] = 6 * g + 1 + (stay[on] - 2) % 6
    # Nine seconds of tube, then a cell that mixes.
    drawn = t - 9.0
    before = np.concatenate([np.full(2, port[0]), port[:-2]])
    dry = {g: _at(w, w.outdoor[g], drawn) for g in GASES}
    water = 1000 * _at(w, w.vapour_pa + w.droplets_pa, drawn) / _at(w, w.pressure_pa, drawn)
    for number, holds in CYLINDERS.items():
        here = before == number
        for g in GASES:
            dry[g][here] = holds[g] * (1000 if g == "CO2" else 1)
        water[here] = 0.15
    for c in chambers:
        here = before == c.port
        air = inside(w, c, drawn[here], rng)
        for g in GASES:
            dry[g][here] = air.gas[g]
        water[here] = air.water
    warm = _at(w, w.air_c, t)
    seen_water = np.round(_lag(water, 5.0, 7.0) + _noise(rng, n, 0.03, 0.05, 400.0), 3)
    columns: Columns = {}
    white = {"N2O": 0.25, "CH4": 0.9, "CO2": 0.15}
    for g in GASES:
        scale = 1000.0 if g == "CO2" else 1.0
        gain = 1 + rng.normal(0, 0.006) + 0.002 * np.sin(2 * np.pi * (t - t[0]) / 86400 / 17 + seed)
        gain = gain + 0.00012 * (warm - warm.mean())
        moist = _lag(dry[g], 5.0, 6.0) / scale * gain * (1 - _lag(water, 5.0, 7.0) / 1000)
        read = moist + _noise(rng, n, white[g], white[g] * 0.4, 30.0)
        columns[g.lower()] = (t, np.round(read, 2))
    columns["h2o"] = (t, seen_water)
    columns["port"] = (t, port)
    for c in chambers:
        columns[f"lid_{c.id}"] = (t, _lid(c, t))
    columns |= _slow(w, chambers, rng)
    head = """
[[analyzers]]
id = "bench"
gases = { N2O = "n2o", CH4 = "ch4", CO2 = "co2" }
basis = "wet"
water_channel = "h2o"
port_channel = "port"
lag_s = 15.0
flush_s = 45.0
precision = { N2O = 0.25, CH4 = 0.9, CO2 = 0.15 }
"""
    for number, holds in CYLINDERS.items():
        for g in GASES:
            head += f'\n[[analyzers.standards]]\nport = {number}\ngas = "{g}"\nvalue = {holds[g]}\n'
    text = _text(site, chambers, columns, head, "shared")
    return Season(site, w, text, columns, chambers)


def _own(site: Site, w: Weather, seed: int) -> Season:
    rng = np.random.default_rng((seed, 5))
    chambers = _chambers(site, w, seed, "own")
    t = site.first_s + np.arange(0, site.days * 86400, 10, dtype=np.int64)
    n = len(t)
    columns: Columns = {}
    head = ""
    white = {"N2O": 0.8, "CH4": 2.0, "CO2": 1.5}
    spread = {"N2O": 0.006, "CH4": 0.008, "CO2": 0.012}
    for k, c in enumerate(chambers):
        air = inside(w, c, t.astype(float), rng)
        moist_kind = k % 2 == 0
        for g in GASES:
            scale = 1000.0 if g == "CO2" else 1.0
            gain = 1 + rng.normal(0, spread[g]) + rng.normal(0, 0.004) * (t - t[0]) / 5.2e6
            gain = gain + 0.0002 * (air.air_c - air.air_c.mean())
            seen = air.gas[g] / scale * gain
            if moist_kind:
                seen = seen * (1 - air.water / 1000)
            read = _lag(seen, 10.0, 8.0) + _noise(rng, n, white[g], white[g] * 0.3, 40.0)
            columns[f"{g.lower()}_{c.id}"] = (t, np.round(read, 1 if g == "CO2" else 2))
        gases = ", ".join(f'{g} = "{g.lower()}_{c.id}"' for g in GASES)
        head += f'\n[[analyzers]]\nid = "head_{c.id}"\ngases = {{ {gases} }}\nlag_s = 8.0\n'
        head += "precision = { N2O = 0.8, CH4 = 2.0, CO2 = 1.5 }\n"
        if moist_kind:
            read = _lag(air.water, 10.0, 10.0) * (1 + rng.normal(0, 0.015))
            columns[f"h2o_{c.id}"] = (t, np.round(read + rng.normal(0, 0.06, n), 2))
            head += f'basis = "wet"\nwater_channel = "h2o_{c.id}"\n'
        else:
            head += 'basis = "dry"\n'
        columns[f"lid_{c.id}"] = (t, _lid(c, t))
    columns |= _slow(w, chambers, rng)
    return Season(site, w, _text(site, chambers, columns, head, "own"), columns, chambers)


def _unit(name: str) -> str:
    kind = name.split("_")[0]
    return {
        "n2o": 'unit = "nmol/mol"\nrange = [0.0, 20000.0]',
        "ch4": 'unit = "nmol/mol"\nrange = [500.0, 30000.0]',
        "co2": 'unit = "umol/mol"\nrange = [200.0, 20000.0]',
        "h2o": 'unit = "mmol/mol"',
        "p": 'unit = "hPa"',
        "t": 'unit = "degC"',
        "ts": 'unit = "degC"',
        "vwc": 'unit = "m3/m3"',
    }.get(kind, 'unit = "1"')


def _text(site: Site, chambers: list[Chamber], columns: Columns, head: str, kind: str) -> str:
    def day(k: int) -> str:
        sign = -1 if site.clock[0] == "-" else 1
        local = datetime.fromtimestamp(site.first_s + sign * int(site.clock[1:3]) * 3600, UTC)
        return (local + timedelta(days=k)).date().isoformat()

    out = f"""[station]
id = "column_{kind}"
name = "Hexlow slurry trial"
latitude = {site.latitude}
longitude = {site.longitude}
elevation_m = {site.elevation_m}
timezone = "{site.zone}"
clock = "{site.clock}"

[[sources]]
kind = "folder"
path = "logs"
pattern = "*.csv"
"""
    for name in columns:
        out += f"\n[channels.{name}]\n{_unit(name)}\n"
    out += head
    for c in chambers:
        port = f"port = {c.port}\n" if kind == "shared" else ""
        out += f"""
[[chambers]]
id = "{c.id}"
analyzer = "{"bench" if kind == "shared" else f"head_{c.id}"}"
{port}lid_channel = "lid_{c.id}"
area_m2 = {c.area_m2}
air_temperature_channel = "t_{c.id}"
pressure_channel = "p_air"
soil_temperature_channel = "ts_{c.id}"
soil_moisture_channel = "vwc_{c.id}"
bulk_density_g_cm3 = 1.32
plot = "{c.plot}"
block = "{c.block}"
treatment = "{c.treatment}"
position = "{c.position}"
heights = [{{ from = "{day(-3)}T00:00:00Z", height_m = {c.height_m} }}]
"""
    tolerance = "" if kind == "shared" else "edge_tolerance_s = 20.0\n"
    return (
        out
        + f"""
[closure]
expected_per_day = 8
{tolerance}
[field]
positions = {{ ridge = 0.6, furrow = 0.4 }}

[season]
start = "{day(0)}"
end = "{day(site.days - 1)}"
nitrogen_kg_ha = {{ slurry = 120.0, none = 0.0 }}

[[events]]
kind = "fertilizer"
day = "{day(int(0.35 * site.days))}"
amount = 120.0
treatment = "slurry"

[summary]
height_days = 90

[checks]
breath_test = "{day(-2)}"
tape_measured = "{day(-2)}"
"""
    )


def files(s: Season) -> Iterator[tuple[str, dict[str, NDArray[np.int64] | Floats]]]:
    """Name and columns of a file a day for each rate of records; times in the logger's clock."""
    rates: dict[int, list[str]] = {}
    for name, (t, _) in s.columns.items():
        rates.setdefault(len(t), []).append(name)
    for many, names in rates.items():
        t = s.columns[names[0]][0]
        kind = "slow" if many == len(s.weather.time_s) else "fast"
        size = many // s.site.days
        for day in range(s.site.days):
            part = slice(day * size, (day + 1) * size)
            table = {n: s.columns[n][1][part] for n in names}
            yield f"{kind}_{day:03d}.csv", {"time": t[part], **table}


def write(s: Season, folder: Path) -> None:
    """station.toml and its logs."""
    import pyarrow as pa
    import pyarrow.csv

    folder.mkdir(parents=True, exist_ok=True)
    (folder / "logs").mkdir(exist_ok=True)
    (folder / "station.toml").write_text(s.text)
    sign = -1 if s.site.clock[0] == "-" else 1
    offset = sign * int(s.site.clock[1:3]) * 3600
    for name, table in files(s):
        local = (table.pop("time") + offset).astype("datetime64[s]")
        text = np.char.replace(np.datetime_as_string(local, unit="s"), "T", " ")
        pa.csv.write_csv(pa.table({"time": text, **table}), folder / "logs" / name)
