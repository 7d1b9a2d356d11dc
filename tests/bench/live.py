"""The unattended service at full speed: what DEVELOPERS.md reports of it.

    python tests/bench/live.py            # throughput on both databases, time to a flux
    python tests/bench/live.py --month    # memory over a month fed at high speed

Ratios are of one run on one machine.
"""

import argparse
import os
import shutil
import sys
import tempfile
import time
import uuid
from contextlib import closing
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import numpy as np
from broker import Mosquitto
from running import Running, wait
from servers import POSTGRES
from small import own_line_stream, packs, station_text
from sqlalchemy import Engine, create_engine, func, select, text

from stream.ingest.batches import Batch
from stream.store import Store, open_store
from stream.store.results import bulk
from stream.store.schema import closures, journal_channels, standard_visits
from stream.times import SECOND

TOPIC = "small/records/a"
QUEUES = "max_inflight_messages 0"


def records_in(store: Store) -> int:
    """Records in the journal."""
    with store.reading() as connection:
        return int(connection.execute(select(func.sum(journal_channels.c.records))).scalar() or 0)


def station(folder: Path, broker: Mosquitto, *more: str) -> Path:
    """A station file that takes records from the broker."""
    file = folder / "station.toml"
    extra = "\n".join([broker.source(), "[archive]", "after_days = 36500", *more])
    file.write_text(station_text(extra=extra))
    (folder / "incoming").mkdir(exist_ok=True)
    return file


def throughput(folder: Path, url: str, batch: Batch, rows: int) -> tuple[float, float]:
    """Records a second from the broker's queue into the database, settled; records a message."""
    broker = Mosquitto(folder / "broker", options=QUEUES).start()
    try:
        file = station(folder, broker)
        with Running(file, url) as running:
            running.wait_for("broker connected")
            running.stop()
        messages = packs(batch, rows) if rows else one_by_one(batch)
        broker.publish(TOPIC, messages)
        with closing(open_store(url)) as store, Running(file, url) as running:
            running.wait_for("broker connected")
            begun = time.monotonic()
            wait(lambda: records_in(store) == batch.records, 600)
            took = time.monotonic() - begun
            running.stop()
        return batch.records / took, batch.records / len(messages)
    finally:
        broker.stop()


def one_by_one(batch: Batch) -> list[bytes]:
    """A message a record."""
    found = []
    for i in range(len(batch)):
        for j, channel in enumerate(batch.channels):
            value = float(batch.values[i, j])
            if value == value:
                when = int(batch.times[i]) / SECOND
                found.append(b'[{"n":"%s","t":%r,"v":%r}]' % (channel.encode(), when, value))
    return found


def time_to_flux(folder: Path, url: str, bounce_s: float) -> list[float]:
    """Time from the record that shows the lid open to the stored flux, records live at 1 Hz [s]."""
    broker = Mosquitto(folder / "broker").start()
    batch = own_line_stream(hours=0.25, step_s=1)
    lid = batch.values[:, batch.channels.index("lid_1")]
    opening = int(np.flatnonzero((lid[:-1] == 1) & (lid[1:] == 0))[0]) + 1
    found = []
    try:
        file = station(folder, broker)
        file.write_text(file.read_text().replace("bounce_s = 5.0", f"bounce_s = {bounce_s}"))
        with Running(file, url) as running, closing(open_store(url)) as store:
            running.wait_for("broker connected")
            client = broker.client()
            messages = packs(batch, 1)
            for payload in messages[: opening - 5]:
                client.publish(TOPIC, payload, qos=1)
            wait(lambda: records_in(store) > 0)
            for payload in messages[opening - 5 : opening]:
                client.publish(TOPIC, payload, qos=1)
                time.sleep(1)
            at = time.monotonic()
            sent = 0
            while not found and sent < 20:
                client.publish(TOPIC, messages[opening + sent], qos=1)
                sent += 1
                until = at + sent
                while time.monotonic() < until and not found:
                    with store.reading() as connection:
                        query = select(func.count()).select_from(closures)
                        done = connection.execute(query.where(closures.c.revision > 0)).scalar()
                    if done:
                        found.append(time.monotonic() - at)
                    time.sleep(0.005)
            client.disconnect()
            client.loop_stop()
            running.stop()
    finally:
        broker.stop()
    return found


def month(folder: Path, days: int) -> None:
    """Resident memory while a month at 1 Hz goes through the broker at high speed."""
    url = f"sqlite:///{folder / 'station.db'}"
    broker = Mosquitto(folder / "broker", options=QUEUES).start()
    try:
        file = station(folder, broker)
        with Running(file, url) as running, closing(open_store(url)) as store:
            running.wait_for("broker connected")
            pid = running.process.pid
            done = 0
            begun = time.monotonic()
            for day in range(days):
                batch = own_line_stream(seed=1, hours=24, step_s=1)
                shift = day * 86_400 * SECOND
                moved = Batch(
                    batch.source, batch.channels, batch.times + shift, batch.values, batch.lines
                )
                broker.publish(TOPIC, packs(moved, 60))
                done += batch.records
                expected = done
                wait(lambda expected=expected: records_in(store) == expected, 120)
                if day % 3 == 2 or day == 0:
                    print(
                        f"  day {day + 1:2d}: {resident(pid):5.0f} MB, database"
                        f" {(folder / 'station.db').stat().st_size / 1e6:4.0f} MB,"
                        f" {done / 1e6:.1f} M records, {time.monotonic() - begun:.0f} s",
                        flush=True,
                    )
            running.stop()
    finally:
        broker.stop()


def bulk_rows(engine: Engine) -> None:
    """COPY through a staging table against the driver's executemany, 20,000 rows of fluxes."""
    name = f"lidstream_{uuid.uuid4().hex[:12]}"
    with engine.connect() as connection:
        connection.execute(text(f'CREATE DATABASE "{name}"'))
    url = engine.url.set(database=name).render_as_string(hide_password=False)
    rows = [
        {
            "analyzer": "a", "gas": "N2O", "started_us": i, "revision": 1, "current": 1,
            "withdrawn": 0, "station_digest": "d", "software_version": "v", "result_digest": "r",
            "port": 1, "ended_us": 2, "mid_us": 3, "points": 4, "standard_nmol_mol": 0.1 * i,
            "value_nmol_mol": 0.2 * i, "value_se_nmol_mol": float("nan"),
        }
        for i in range(20_000)
    ]  # fmt: skip
    rates = []
    try:
        with closing(open_store(url)) as store:
            for station_id, copy_from in (("one by one", 10**9), ("copied", bulk.COPY_FROM)):
                kept, bulk.COPY_FROM = bulk.COPY_FROM, copy_from  # type: ignore[misc]
                begun = time.monotonic()
                with store.writing() as connection:
                    bulk.insert_rows(connection, standard_visits, rows, station_id, "replace")
                rates.append(len(rows) / (time.monotonic() - begun))
                bulk.COPY_FROM = kept  # type: ignore[misc]
    finally:
        with engine.connect() as connection:
            connection.execute(text(f'DROP DATABASE "{name}" WITH (FORCE)'))
    print(
        f"rows into PostgreSQL: {rates[1]:,.0f} a second by COPY and upsert,"
        f" {rates[0]:,.0f} by executemany: {rates[1] / rates[0]:.1f} x"
    )


def resident(pid: int) -> float:
    """Resident memory of a process [MB]."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1e3
    return float("nan")


def main() -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--month", action="store_true")
    parser.add_argument("--days", type=int, default=30)
    options = parser.parse_args()
    os.environ["LIDSTREAM_TEST_PASSWORD"] = Mosquitto.PASSWORD
    if options.month:
        with tempfile.TemporaryDirectory() as name:
            month(Path(name), options.days)
        return 0
    large = own_line_stream(hours=24, step_s=1)
    little = own_line_stream(hours=0.5, step_s=1)
    engine = create_engine(POSTGRES, isolation_level="AUTOCOMMIT")
    for kind in ("sqlite", "postgresql"):
        rates = {}
        for rows, batch in ((0, little), (12, large), (60, large)):
            folder = Path(tempfile.mkdtemp())
            url = f"sqlite:///{folder / 'station.db'}"
            name = f"lidstream_{uuid.uuid4().hex[:12]}"
            if kind == "postgresql":
                with engine.connect() as connection:
                    connection.execute(text(f'CREATE DATABASE "{name}"'))
                url = engine.url.set(database=name).render_as_string(hide_password=False)
            try:
                rate, size = throughput(folder, url, batch, rows)
                rates[rows] = rate
                print(
                    f"{kind}: {rate:9,.0f} records/s, {size:5.1f} a message,"
                    f" {rate / rates[0]:5.1f} x one a message",
                    flush=True,
                )
            finally:
                if kind == "postgresql":
                    with engine.connect() as connection:
                        connection.execute(text(f'DROP DATABASE "{name}" WITH (FORCE)'))
                shutil.rmtree(folder, ignore_errors=True)
    bulk_rows(engine)
    engine.dispose()
    for bounce_s in (0.5, 3.0):
        folder = Path(tempfile.mkdtemp())
        (seconds,) = time_to_flux(folder, f"sqlite:///{folder / 'station.db'}", bounce_s)
        print(f"lid open to stored flux, bounce_s = {bounce_s}: {seconds:.2f} s", flush=True)
        shutil.rmtree(folder, ignore_errors=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
