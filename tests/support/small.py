"""Small stations and their records, for tests of the whole path."""

import csv
import io
import json
from contextlib import closing
from pathlib import Path

import numpy as np
from sqlalchemy import select

from stream.ingest.batches import Batch, tidy
from stream.store import Store, open_store
from stream.store.journal.journal import Journal
from stream.store.schema import metadata
from stream.times import SECOND, rfc3339

T0 = 1_770_000_000
"""2026-02-02T02:40:00Z: where the small streams begin [s since 1970]."""


def station_text(*, shared: bool = False, chambers: int = 2, extra: str = "") -> str:
    """A small valid station file; ``extra`` goes at the end."""
    lines = [
        "[station]",
        'id = "small"',
        "elevation_m = 100.0",
        'clock = "+10:00"',
        'timezone = "Pacific/Guam"',
        "[[sources]]",
        'kind = "folder"',
        'path = "incoming"',
        "[channels.n2o]",
        'unit = "nmol/mol"',
        "range = [0.0, 20000.0]",
        "[channels.h2o]",
        'unit = "mmol/mol"',
        "[channels.status]",
        'unit = "1"',
        "[channels.p_air]",
        'unit = "kPa"',
    ]
    if shared:
        lines += ["[channels.port]", 'unit = "1"']
    for i in range(1, chambers + 1):
        lines += [f"[channels.lid_{i}]", 'unit = "1"', f"[channels.t_{i}]", 'unit = "degC"']
    lines += [
        "[[analyzers]]",
        'id = "laser"',
        'gases = { N2O = "n2o" }',
        'basis = "wet"',
        'water_channel = "h2o"',
        "lag_s = 4.0",
        "precision = { N2O = 0.3 }",
        'status_channel = "status"',
    ]
    if shared:
        lines += ['port_channel = "port"', "flush_s = 20.0"]
        lines += ["[[analyzers.standards]]", "port = 9", 'gas = "N2O"', "value = 1000.0"]
    for i in range(1, chambers + 1):
        lines += [
            "[[chambers]]",
            f'id = "C{i}"',
            'analyzer = "laser"',
            *([f"port = {i}"] if shared else []),
            f'lid_channel = "lid_{i}"',
            "area_m2 = 0.25",
            f'air_temperature_channel = "t_{i}"',
            'pressure_channel = "p_air"',
            'heights = [{ from = "2026-01-01T00:00:00+10:00", height_m = 0.15 }]',
        ]
    lines += [
        "[closure]",
        "dead_band_s = 20.0",
        "min_duration_s = 100.0",
        "max_duration_s = 1200.0",
        "expected_per_day = 96",
        "hold_s = 600.0",
        "bounce_s = 5.0",
        extra,
    ]
    return "\n".join(lines) + "\n"


def own_line_stream(seed: int = 1, hours: float = 1.5, step_s: int = 2) -> Batch:
    """Two chambers taking turns on one line, 400 s closed in each 900 s; noise included."""
    rng = np.random.default_rng(seed)
    t = T0 + np.arange(0, round(hours * 3600), step_s)
    n = len(t)
    gas = 330.0 + 0.2 * rng.standard_normal(n)
    columns: dict[str, np.ndarray] = {
        "status": np.zeros(n),
        "h2o": 12.0 + 0.02 * rng.standard_normal(n),
        "p_air": np.where(np.arange(n) % 30 == 0, 99.5, np.nan),
    }
    for i in (1, 2):
        since = (t - T0 - 60 - 450 * (i - 1)) % 900
        closed = since < 400
        closed &= t - T0 >= 60 + 450 * (i - 1)
        lid = np.where(closed, 1.0, 0.0)
        lid[:-1] = np.where((lid[:-1] == 0) & (lid[1:] == 1), 2.0, lid[:-1])
        gas = gas + np.where(closed, 0.08 * i * -np.expm1(-7e-4 * since) / 7e-4, 0.0)
        columns[f"lid_{i}"] = lid
        columns[f"t_{i}"] = np.where(np.arange(n) % 15 == i, 20.0 + i, np.nan)
    columns["n2o"] = gas * (1 - columns["h2o"] / 1e3)
    return tidy("made.csv", t * SECOND, columns, np.arange(2, n + 2))


def shared_stream(seed: int = 1, hours: float = 1.5, step_s: int = 2) -> Batch:
    """Two lids closed together for 700 s in each 900 s, ports 1, 2 and a standard by turns."""
    rng = np.random.default_rng(seed)
    t = T0 + np.arange(0, round(hours * 3600), step_s)
    n = len(t)
    since = (t - T0 - 60) % 900
    closed = (since < 700) & (t - T0 >= 60)
    port = np.where(closed, np.array([1, 2, 9])[(since // 60) % 3], 0)
    gas = np.full(n, 330.0)
    for i in (1, 2):
        gas = np.where((port == i) & closed, 330 + 0.1 * i * -np.expm1(-7e-4 * since) / 7e-4, gas)
    gas = np.where(port == 9, 1000.0, gas) + 0.2 * rng.standard_normal(n)
    water = np.full(n, 12.0)
    columns = {
        "n2o": gas * (1 - water / 1e3),
        "h2o": water,
        "status": np.zeros(n),
        "port": port.astype(float),
        "p_air": np.full(n, 99.5),
    }
    for i in (1, 2):
        columns[f"lid_{i}"] = closed.astype(float)
        columns[f"t_{i}"] = np.full(n, 20.0 + i)
    return tidy("made.csv", t * SECOND, columns, np.arange(2, n + 2))


def part(batch: Batch, rows: slice | np.ndarray, channels: tuple[str, ...] | None = None) -> Batch:
    """Some rows, and some channels, of a batch."""
    names = channels or batch.channels
    columns = {c: batch.values[rows, batch.channels.index(c)] for c in names}
    return tidy(batch.source, batch.times[rows], columns, batch.lines[rows])


def write_log(batch: Batch, path: Path) -> Path:
    """A batch as a logger's file."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["time", *batch.channels])
    for time_us, row in zip(batch.times.tolist(), batch.values.tolist(), strict=True):
        writer.writerow([rfc3339(time_us), *("" if v != v else repr(v) for v in row)])
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(out.getvalue())
    return path


def packs(batch: Batch, rows: int = 20) -> list[bytes]:
    """A batch as SenML packs (RFC 8428) of so many rows each, in order of time."""
    found = []
    for first in range(0, len(batch), rows):
        pack = []
        for i in range(first, min(len(batch), first + rows)):
            time_s = int(batch.times[i]) / SECOND
            for channel, value in zip(batch.channels, batch.values[i].tolist(), strict=True):
                if not np.isnan(value):
                    pack.append({"n": channel, "t": time_s, "v": value})
        found.append(json.dumps(pack).encode())
    return found


RESULTS = ("closures", "fluxes", "model_fits", "visits", "standard_visits", "gaps")


def stored(store: Store, *tables: str) -> dict[str, list[tuple[object, ...]]]:
    """Every row of the tables of results, in order of their keys."""
    found = {}
    with store.reading() as connection:
        for name in tables or RESULTS:
            table = metadata.tables[name]
            query = select(table).order_by(*table.primary_key.columns)
            found[name] = [tuple(row) for row in connection.execute(query)]
    return found


def contents(url: str, archive: Path | None = None) -> dict[str, object]:
    """What a database holds, however it came there: results row by row, the journal's
    records, the quarantine by what was refused.
    """
    with closing(open_store(url)) as store:
        journal = Journal(store, "small", archive)
        series = journal.read(journal.extent(), 0, 2**62)
        refused = stored(store, "quarantine")["quarantine"]
        return {
            **stored(store, *RESULTS, "journal_channels", "unsettled"),
            "records": {
                channel: (s.times.tolist(), s.values.tolist())
                for channel, s in sorted((c, s.filled()) for c, s in series.items())
            },
            "quarantine": sorted((row[4], row[5]) for row in refused),
        }
