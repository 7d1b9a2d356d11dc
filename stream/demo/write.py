"""A simulated station as a folder: station file, logger files, and the truth beside them."""

import csv
import gzip
import io
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv as arrow_csv

from stream.demo import own_line, shared_line
from stream.demo.record import Simulation, Table
from stream.demo.scenario import DAY_S, GASES, Scenario
from stream.times import SECOND, rfc3339

_UNITS: Final = {
    "n2o": ("nmol/mol", (0, 20000)),
    "ch4": ("nmol/mol", (500, 20000)),
    "co2": ("umol/mol", (200, 20000)),
    "h2o": ("mmol/mol", (0, 80)),
    "laser_status": ("1", None),
    "port": ("1", None),
    "p_air": ("hPa", (800, 1100)),
}


def simulate(scenario: Scenario) -> Simulation:
    """Simulate either kind of station."""
    if scenario.kind == "own_line":
        return own_line.simulate(scenario)
    return shared_line.simulate(scenario)


def write_station(scenario: Scenario, folder: Path) -> Path:
    """Simulate a station and write its folder.

    Parameters
    ----------
    scenario : Scenario
        What to simulate.
    folder : Path
        Made where it is missing; files of the same names are replaced.

    Returns
    -------
    Path
        The station file.
    """
    incoming = folder / "incoming"
    incoming.mkdir(parents=True, exist_ok=True)
    simulation = simulate(scenario)
    write_records(scenario, simulation, incoming)
    write_truth(simulation, folder)
    path = folder / "station.toml"
    path.write_text(station_text(scenario), encoding="utf-8")
    return path


def write_records(scenario: Scenario, simulation: Simulation, incoming: Path) -> None:
    """One fast and one slow file a local day."""
    for day, first, stop in _days(scenario):
        text = _fast_text(scenario, simulation.fast, first, stop)
        if scenario.faults and scenario.kind == "own_line" and first == scenario.start_s + DAY_S:
            text = _spoil(text)
        _write_gzip(incoming / f"gas_{day}.csv.gz", text)
        if scenario.kind == "own_line":
            slow = _slow_text(scenario, simulation.slow, first, stop)
            _write_gzip(incoming / f"soil_{day}.csv.gz", slow)
        else:
            packs = _senml(scenario, simulation.slow, first, stop)
            _write_gzip(incoming / f"soil_{day}.senml.gz", packs)


def _write_gzip(path: Path, content: bytes) -> None:
    with path.open("wb") as raw, gzip.GzipFile("", "wb", 6, raw, mtime=0) as packed:
        packed.write(content)


def _days(scenario: Scenario) -> Iterator[tuple[str, int, int]]:
    end = scenario.start_s + scenario.days * DAY_S
    first = scenario.start_s
    while first < end:
        stop = min(end, first + DAY_S)
        yield (
            datetime.fromtimestamp(first + scenario.utc_offset_s, UTC).strftime("%Y-%m-%d"),
            first,
            stop,
        )
        first = stop


def _fast_text(scenario: Scenario, table: Table, first: int, stop: int) -> bytes:
    """The fast logger writes local time without offset."""
    rows = np.flatnonzero(table.keep)
    rows = rows[(table.time_s[rows] >= first) & (table.time_s[rows] < stop)]
    stamp = pc.strftime(
        pa.array(table.time_s[rows] + scenario.site.clock_offset_s).cast(pa.timestamp("s")),
        "%Y-%m-%d %H:%M:%S",
    )
    columns = {"time": stamp}
    for name, values in table.columns.items():
        columns[name] = _decimals(values[rows], table.digits.get(name, 0))
    sink = io.BytesIO()
    arrow_csv.write_csv(pa.table(columns), sink, arrow_csv.WriteOptions(quoting_style="none"))
    return sink.getvalue()


def _decimals(values: np.ndarray, digits: int) -> pa.Array:
    """Numbers as text with a fixed number of decimals, nothing for NaN."""
    bad = np.isnan(values)
    if digits == 0:
        return pa.array(np.where(bad, 0, values).astype(np.int64), mask=bad)
    # Python's own numbers: numpy's take half as long again to become text.
    return pa.array([None if v != v else f"{v:.{digits}f}" for v in values.tolist()])


def _slow_text(scenario: Scenario, table: Table, first: int, stop: int) -> bytes:
    """The slow logger writes semicolons, decimal commas, and time with its offset."""
    site = scenario.site
    out = io.StringIO()
    writer = csv.writer(out, delimiter=";", lineterminator="\r\n")
    writer.writerow(["time", *table.columns])
    rows = table.rows(first, stop)
    digits = [table.digits[name] for name in table.columns]
    times = table.time_s[rows].tolist()
    for at, *values in zip(times, *(v[rows].tolist() for v in table.columns.values()), strict=True):
        moment = datetime.fromtimestamp(at + site.clock_offset_s, UTC)
        cells = [
            "" if v != v else f"{v:.{n}f}".replace(".", ",")
            for v, n in zip(values, digits, strict=True)
        ]
        writer.writerow([moment.strftime("%Y-%m-%dT%H:%M:%S") + site.clock, *cells])
    return b"\xef\xbb\xbf" + out.getvalue().encode()


def _senml(scenario: Scenario, table: Table, first: int, stop: int) -> bytes:
    """The soil node of the second station sends SenML packs, one a minute."""
    units = {"p_air": "hPa", "t_": "Cel", "ts_": "Cel", "vwc_": "/"}
    lines = []
    rows = table.rows(first, stop)
    columns = {name: values[rows].tolist() for name, values in table.columns.items()}
    for i, at in enumerate(table.time_s[rows].tolist()):
        pack: list[dict[str, object]] = []
        for name, values in columns.items():
            if values[i] != values[i]:
                continue
            unit = units.get(name) or units[name[: name.index("_") + 1]]
            pack.append({"n": name, "u": unit, "v": round(values[i], table.digits[name])})
        pack[0] = {"bt": at, **pack[0]}
        lines.append(json.dumps(pack, separators=(",", ":")))
    return ("\n".join(lines) + "\n").encode()


def _spoil(text: bytes) -> bytes:
    """What loggers do to files: repeat themselves, break off, start over, stutter."""
    lines = text.split(b"\n")
    header = lines[0]
    repeated = lines[4000:4300]
    broken = lines[20000][:31]
    return b"\n".join(
        [
            *lines[:4300],
            *repeated,
            *lines[4300:20000],
            broken,
            b"",
            header,
            *lines[20001:50000],
            b"\x15\x15 power up, firmware ok",
            *lines[50000:],
        ]
    )


def write_truth(simulation: Simulation, folder: Path) -> None:
    """``truth_fluxes.csv`` and ``truth_faults.csv``."""
    with (folder / "truth_fluxes.csv").open("w", newline="", encoding="utf-8") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(["chamber", "gas", "closed_at", "opened_at", "flux_nmol_m2_s"])
        for t in sorted(simulation.truth, key=lambda t: (t.chamber, t.closed_s, t.gas)):
            times = rfc3339(t.closed_s * SECOND), rfc3339(t.opened_s * SECOND)
            writer.writerow([t.chamber, t.gas, *times, f"{t.flux_nmol_m2_s:.6g}"])
    with (folder / "truth_faults.csv").open("w", newline="", encoding="utf-8") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(["flag", "chamber", "gas", "at", "story"])
        for f in sorted(simulation.injected, key=lambda f: (f.at_s, f.chamber, f.flag, f.gas)):
            writer.writerow([f.flag, f.chamber, f.gas, rfc3339(f.at_s * SECOND), f.story])


# Long: one text, in the order of the file.
def station_text(scenario: Scenario) -> str:
    """The station file of a scenario."""
    shared = scenario.kind == "shared_analyzer"
    site = scenario.site
    lines = [
        f"# {scenario.name}: simulated. Keys are explained in configs/README.md.",
        "",
        "[station]",
        f'id = "{scenario.id}"',
        f'name = "{scenario.name}"',
        f"latitude = {site.latitude:.2f}",
        f"longitude = {site.longitude:.2f}",
        f"elevation_m = {site.elevation_m}",
        f'timezone = "{site.timezone}"',
        f'clock = "{site.clock}"',
        "",
        "[database]",
        f'url = "sqlite:///{scenario.id}.db"',
        "",
        "[[sources]]",
        'kind = "folder"',
        'path = "incoming"',
        'pattern = "*.csv"',
        'time_column = "time"',
        "",
    ]
    if shared:
        lines += ["[[sources]]", 'kind = "folder"', 'path = "incoming"', 'pattern = "*.senml"', ""]
    for name, (unit, bounds) in _UNITS.items():
        if name == "port" and not shared:
            continue
        lines += [f"[channels.{name}]", f'unit = "{unit}"']
        if bounds:
            lines.append(f"range = [{float(bounds[0])}, {float(bounds[1])}]")
    for place in scenario.places:
        key = place.id.lower()
        lines += [f"[channels.lid_{key}]", 'unit = "1"']
        lines += [f"[channels.t_{key}]", 'unit = "degC"', "range = [-30.0, 70.0]"]
        lines += [f"[channels.ts_{key}]", 'unit = "degC"', "range = [-20.0, 60.0]"]
        lines += [f"[channels.vwc_{key}]", 'unit = "m3/m3"', "range = [0.0, 0.7]"]
    lines += [
        "",
        "[[analyzers]]",
        'id = "laser"',
        'gases = { N2O = "n2o", CH4 = "ch4", CO2 = "co2" }',
        'basis = "wet"',
        'water_channel = "h2o"',
        *(['port_channel = "port"', "flush_s = 50.0"] if shared else []),
        f"lag_s = {14.0 if shared else 8.0}",
        "precision = { N2O = 0.3, CH4 = 0.8, CO2 = 0.2 }",
        'status_channel = "laser_status"',
        "status_ok = [0]",
        "",
    ]
    if shared:
        for port, values in shared_line.STANDARDS.items():
            for gas in GASES:
                value = values[gas] / (1000.0 if gas == "CO2" else 1.0)
                lines += ["[[analyzers.standards]]", f"port = {port}", f'gas = "{gas}"']
                lines += [f"value = {value}", ""]
    for place in scenario.places:
        key = place.id.lower()
        lines += [
            "[[chambers]]",
            f'id = "{place.id}"',
            'analyzer = "laser"',
            *([f"port = {place.port}"] if shared else []),
            f'lid_channel = "lid_{key}"',
            f"area_m2 = {scenario.area_m2}",
            f"extra_volume_m3 = {scenario.extra_volume_m3}",
            f'air_temperature_channel = "t_{key}"',
            'pressure_channel = "p_air"',
            f'soil_temperature_channel = "ts_{key}"',
            f'soil_moisture_channel = "vwc_{key}"',
            "bulk_density_g_cm3 = 1.25",
            f'plot = "{place.plot}"',
            f'block = "{place.block}"',
            f'treatment = "{place.treatment}"',
            f'position = "{place.position}"',
            f'heights = [{{ from = "{site.heights_from}", height_m = {place.height_m} }}]',
            "",
        ]
    full, none = site.treatments
    shown = ", ".join(f"{k} = {v:.2f}" for k, v in site.positions.items())
    lines += [
        "[closure]",
        "dead_band_s = 30.0",
        f"min_duration_s = {1800.0 if shared else 180.0}",
        "max_duration_s = 5400.0",
        "expected_per_day = 8",
        "",
        "[models]",
        'default = "auto"',
        'candidates = ["linear", "quadratic", "saturating"]',
        "",
        "[field]",
        f"positions = {{ {shown} }}",
        "",
        "[season]",
        f'start = "{site.season[0]}"',
        f'end = "{site.season[1]}"',
        f"nitrogen_kg_ha = {{ {full} = {site.nitrogen_kg_ha}, {none} = 0.0 }}",
        f'reference = "{none}"',
        f"yield_t_ha = {{ {full} = {site.yields_t_ha[0]}, {none} = {site.yields_t_ha[1]} }}",
        "",
    ]
    return "\n".join(lines)
