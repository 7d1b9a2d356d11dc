"""One table of what each part costs, measured in one run: ``python tests/bench/table.py``.

Each line gives our speed, that of a plain way measured beside it where there is one, and the
ratio. ``--json`` prints the same for ``compare.py``. ``--text-beside COMMIT`` measures nothing
but the reading of text: beside pandas, and beside an earlier commit's code, in turns.
"""

import argparse
import hashlib
import io
import json
import os
import sqlite3
import sys
import tempfile
import threading
import time
import urllib.request
import uuid
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import numba
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import run
import year
from broker import MOSQUITTO, Mosquitto
from compare import text_of_both
from live import throughput
from servers import POSTGRES
from small import own_line_stream, packs
from sqlalchemy import create_engine, text
from sqlalchemy.exc import OperationalError

from stream.compute.replay import join
from stream.ingest.broker.messages import Decoder, Message
from stream.report.export import export
from stream.science.closures.lid import runs_of
from stream.science.models import MODELS
from stream.science.models.fit import Segments
from stream.station import load_station, read_clock
from stream.store import open_store
from stream.store.journal.adoption import adopt
from stream.store.journal.archived_day import read_day, write_day
from stream.store.results import bulk
from stream.store.schema import standard_visits
from stream.times import SECOND
from stream.web.page_in_service import page_app
from stream.web.serve import listen, serve

UNITS = {
    "n2o": "nmol/mol", "h2o": "mmol/mol", "status": "1", "p_air": "kPa", "lid_1": "1",
    "lid_2": "1", "t_1": "degC", "t_2": "degC",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Line:
    """One measure; ``plain`` is NaN where there is no plain way beside it."""

    what: str
    unit: str
    ours: float
    plain: float = float("nan")


def best(times: int, work: Callable[[], object]) -> float:
    """Shortest of several runs [s]."""
    found = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        found.append(time.perf_counter() - begun)
    return min(found)


@numba.njit(cache=False)
def products(x: np.ndarray, times: int) -> float:
    """Sums of products as the autocovariances of a fit are: nine at a time, in order."""
    total = 0.0
    for _ in range(times):
        sums = np.zeros(9)
        for i in range(8, x.shape[0]):
            for h in range(9):
                sums[h] += x[i] * x[i - h]
        total += sums[8]
    return total


def machine(folder: Path) -> list[Line]:
    """What the machine itself does, for the other lines to be held against."""
    block = np.zeros(32_000_000)
    other = np.empty_like(block)
    copied = best(5, lambda: np.copyto(other, block))
    x = np.random.default_rng(0).normal(size=650)
    products(x, 1)
    multiplied = best(3, lambda: products(x, 2000))
    content = block.tobytes()[:100_000_000]
    hashed = best(3, lambda: hashlib.sha256(content))
    connection = sqlite3.connect(folder / "commits.db", isolation_level=None)
    connection.executescript("PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; CREATE TABLE t (i)")

    def commits() -> None:
        for i in range(50):
            connection.execute("INSERT INTO t VALUES (?)", (i,))

    committed = best(3, commits)
    connection.close()
    return [
        Line("machine: memory copied", "GB/s", 2 * block.nbytes / copied / 1e9),
        Line("machine: products summed, one core", "M/s", 2000 * 9 * 642 / multiplied / 1e6),
        Line("machine: SHA-256, one core", "MB/s", 100 / hashed),
        Line("machine: durable commits", "commits/s", 50 / committed),
    ]


def models() -> list[Line]:
    """Fits of each model, 300 points, each beside a loop of a general library's."""
    rng = np.random.default_rng(1)
    m, n = 2000, 300
    t = np.linspace(30.0, 690.0, n)
    y = 330 - 0.2 * np.expm1(-1e-3 * t) / 1e-3 + rng.normal(0, 0.3, (m, n))
    segments = Segments(np.tile(t, m), y.ravel().copy(), np.ones(m * n), np.arange(m + 1) * n)

    def loop(model: str) -> None:
        for i in range(50):
            with suppress(RuntimeError):
                year.PLAIN[model](t, y[i])

    found = []
    for name in MODELS:
        MODELS[name].fit(segments)
        speed = m / best(3, lambda q=name: MODELS[q].fit(segments))
        plain = 50 / best(2, lambda q=name: loop(q))
        found.append(Line(f"fit, {name}", "fits/s", speed, plain))
    return found


def segmentation() -> Line:
    """A year of one lid at 1 Hz, as runs of one state; beside pandas shift and cumsum."""
    n = 365 * 86_400
    times = np.arange(n, dtype=np.int64) * SECOND
    state = ((times // SECOND) % 10_800 < 690).astype(np.int8)
    ours = best(3, lambda: runs_of(times, state, 300 * SECOND))
    frame = pd.Series(state)
    plain = best(1, lambda: (frame != frame.shift()).cumsum().max())
    return Line("lid to runs", "M records/s", n / ours / 1e6, n / plain / 1e6)


def decoding() -> Line:
    """SenML packs of 62 records; beside the json module alone, which only parses them."""
    batch = own_line_stream()
    messages = packs(batch, 20)
    units = {c: unit for c, unit in UNITS.items() if c in batch.channels}
    decoder = Decoder("bench", units, "senml", "time", read_clock("+10:00"), 1 << 20)
    sent = [Message("small/records/a", m, 0, 1, i, 1) for i, m in enumerate(messages)]
    count = sum(len(json.loads(m)) for m in messages)
    ours = best(3, lambda: decoder.batch(sent))
    plain = best(3, lambda: [json.loads(m) for m in messages])
    return Line("SenML to records", "k records/s", count / ours / 1e3, count / plain / 1e3)


def rows(url: str, name: str) -> Line:
    """Rows into a table in one transaction; beside executemany of mappings."""
    columns = [c.name for c in standard_visits.columns]
    made = [
        {c: 1.0 for c in columns if c.endswith(("_mol", "_se"))}
        | {
            "analyzer": "a", "gas": "N2O", "started_us": i, "revision": 1, "current": 1,
            "withdrawn": 0, "station_digest": "x", "software_version": "x", "result_digest": "x",
            "port": 1, "ended_us": i, "mid_us": i, "points": 1,
        }
        for i in range(20_000)
    ]  # fmt: skip
    with closing(open_store(url)) as store:

        def ours() -> None:
            with store.writing() as connection:
                connection.execute(text("DELETE FROM standard_visits"))
                bulk.insert_rows(connection, standard_visits, made, "s")

        def plain() -> None:
            with store.writing() as connection:
                connection.execute(text("DELETE FROM standard_visits"))
                connection.execute(standard_visits.insert(), [{**r, "station": "s"} for r in made])

        return Line(f"rows into {name}", "k rows/s", 20 / best(3, ours), 20 / best(3, plain))


@contextmanager
def databases(folder: Path) -> Iterator[dict[str, str]]:
    """URLs of a new database of each kind; of PostgreSQL where there is a server."""
    found = {"SQLite": f"sqlite:///{folder / 'new.db'}"}
    server = create_engine(
        POSTGRES, isolation_level="AUTOCOMMIT", connect_args={"connect_timeout": 3}
    )
    name = f"lidstream_{uuid.uuid4().hex[:12]}"
    with suppress(OperationalError), server.connect() as connection:
        connection.execute(text(f'CREATE DATABASE "{name}"'))
        made = server.url.set(database=name)
        found["PostgreSQL"] = made.render_as_string(hide_password=False)
    try:
        yield found
    finally:
        if "PostgreSQL" in found:
            with server.connect() as connection:
                connection.execute(text(f'DROP DATABASE "{name}" WITH (FORCE)'))
        server.dispose()


def both(folder: Path) -> list[Line]:
    """What goes into each database: rows, and records from a broker until they are settled."""
    found = []
    with databases(folder) as urls:
        found += [rows(url, name) for name, url in urls.items()]
    if MOSQUITTO is None:
        return found
    os.environ["LIDSTREAM_TEST_PASSWORD"] = Mosquitto.PASSWORD
    large, little = own_line_stream(hours=24, step_s=1), own_line_stream(hours=0.25, step_s=1)
    for kind in ("SQLite", "PostgreSQL"):
        speeds = []
        for batch, together in ((large, 60), (little, 0)):
            place = Path(tempfile.mkdtemp(dir=folder))
            with databases(place) as urls:
                if kind in urls:
                    speeds.append(throughput(place, urls[kind], batch, together)[0] / 1e3)
        if speeds:
            found.append(Line(f"MQTT into {kind}", "k records/s", *speeds))
    return found


def archive(folder: Path) -> list[Line]:
    """A day of 17 channels at 1 Hz as Parquet."""
    rng = np.random.default_rng(2)
    times = np.arange(86_400, dtype=np.int64) * SECOND
    names = [f"c{i}" for i in range(17)]
    columns = [np.round(rng.normal(330, 5, len(times)), 2) for _ in names]
    size = 8 * 18 * len(times) / 1e6
    done = []

    def write() -> None:
        done.append(write_day(folder, "s", 0, names, [(times, columns)]))

    took = best(2, write)
    path, digest = done[-1].path, done[-1].sha256
    ours = best(3, lambda: read_day(path, digest, set(names)))
    plain = best(3, lambda: pq.read_table(path))
    return [
        Line("archive, writing a day", "MB/s", size / took),
        Line("archive, reading a day", "MB/s", size / ours, size / plain),
    ]


def delimited() -> Line:
    """Text of seventeen columns to batches; beside pandas, which reads it and parses times."""
    with tempfile.TemporaryDirectory() as name:
        station_file, fast, _ = run.make(3, Path(name))
        _, ours, plain = run.reading(station_file, fast)
    return Line("delimited text to records", "MB/s", ours, plain)


def text_beside(commit: str) -> list[Line]:
    """Text to batches, beside pandas and beside an earlier commit."""
    with tempfile.TemporaryDirectory() as name:
        station_file, fast, _ = run.make(3, Path(name) / "made")
        ours, before, plain = text_of_both(commit, station_file, fast)
    return [
        Line("delimited text to records", "MB/s", ours, plain),
        Line(f"the same, beside {commit[:20]}", "MB/s", ours, before),
    ]


def station(folder: Path) -> list[Line]:
    """Archive to fluxes, one more closure, export and page, on a small station."""
    path = year.make(4, folder / "year", "three")
    file = load_station(path)
    found = []
    with closing(open_store(file.database_url)) as store:
        adopt(store, file.station.id, file.archive)
        parts = join(file, store)
        took = best(1, parts.settlement.settle)
        again = best(2, lambda: parts.settlement.reprocess(-(2**62), 2**62))
        found.append(Line("Parquet to fluxes, a cold start", "days/s", 4 / took))
        found.append(Line("Parquet to fluxes again", "days/s", 4 / again))
        out = folder / "fluxes.csv"
        count = export(file, "fluxes", out, file.database_url)
        took = best(2, lambda: export(file, "fluxes", out, file.database_url))
        found.append(Line("export of fluxes as CSV", "k rows/s", count / took / 1e3))
        on = listen("127.0.0.1", 0)
        base = f"http://127.0.0.1:{on.getsockname()[1]}"
        stop = threading.Event()
        app = page_app(file, file.database_url, store)
        thread = threading.Thread(target=serve, args=(app, on, stop))
        thread.start()
        for what, at in (("page, today", "/"), ("page, a chart's data", "/data/series?gas=N2O")):
            ask = lambda at=at: urllib.request.urlopen(base + at).read()  # noqa: E731
            ask()
            found.append(Line(what, "answers/s", 1 / best(5, ask)))
        stop.set()
        thread.join()
        on.close()
    return found


def whole(folder: Path) -> list[Line]:
    """A station-year by two processes, all five models; beside the plain way over a day of it."""
    month, path = (year.make(d, folder / f"whole{d}", "all") for d in (30, 365))
    year.measured(month, 2)
    _, took, closures, _ = year.measured(path, 2)
    plain = 365 / (year.plain(path, 1) * closures)
    return [
        Line("station-year, Parquet to fluxes", "days/s", 365 / took, plain),
        Line("one more closure, 30 days stored", "settlements/s", one_more(month)),
        Line("one more closure, 365 days stored", "settlements/s", one_more(path)),
    ]


def one_more(path: Path) -> float:
    """Settlements a second of the last quarter of an hour, with all that is stored."""
    file = load_station(path)
    with closing(open_store(file.database_url)) as store:
        parts = join(file, store)
        last = max(last for _, last, _ in parts.journal.extent().values())

        def settle() -> None:
            with store.writing() as connection:
                connection.execute(text("DELETE FROM unsettled"))
                connection.execute(
                    text("INSERT INTO unsettled VALUES ('vellmark', :a, :b)"),
                    {"a": last - 900 * SECOND, "b": last},
                )
            parts.settlement.settle()

        settle()
        return 1 / best(5, settle)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--text-beside", metavar="COMMIT")
    arguments = parser.parse_args()
    lines: list[Line] = []
    out = sys.stderr if arguments.json else sys.stdout
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        work: list[Callable[[], Line | list[Line]]] = [
            lambda: machine(folder), models, segmentation, decoding, delimited,
            lambda: both(folder),
            lambda: archive(folder / "archive"), lambda: station(folder), lambda: whole(folder),
        ]  # fmt: skip
        if arguments.text_beside is not None:
            work = [lambda: text_beside(arguments.text_beside)]
        print(f"{'part':<40}{'ours':>12} {'unit':<14}{'plain':>12}{'ratio':>8}", file=out)
        for measure in work:
            made = measure()
            for line in made if isinstance(made, list) else [made]:
                lines.append(line)
                known = line.plain == line.plain
                print(
                    f"{line.what:<40}{line.ours:>12,.1f} {line.unit:<14}"
                    + (f"{line.plain:>12,.1f}{line.ours / line.plain:>8.2f}" if known else ""),
                    file=out, flush=True,
                )  # fmt: skip
    if arguments.json:
        text_out = io.StringIO()
        json.dump([asdict(line) for line in lines], text_out)
        print(text_out.getvalue())


if __name__ == "__main__":
    main()
