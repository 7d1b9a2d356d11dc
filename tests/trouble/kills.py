"""kill -9 at random moments, again and again, while records keep coming.

    python tests/trouble/kills.py --rounds 200

kills a service 200 times on each database and compares what is stored in the end, row
by row, with one undisturbed replay of the same records.
"""

import argparse
import os
import random
import shutil
import signal
import sys
import tempfile
import time
import uuid
from collections import Counter
from contextlib import closing
from multiprocessing.process import BaseProcess
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from broker import Mosquitto
from forking import fork, serve
from running import wait
from small import contents, own_line_stream, packs, part, station_text, write_log
from sqlalchemy import create_engine, func, select, text

from stream.compute.replay import replay
from stream.station import load_station
from stream.store import Store, open_store
from stream.store.schema import closures, journal_channels, unsettled

ROWS = 120
"""Rows of records that come between two kills: a lid moves in about half of the rounds."""


def kill_and_compare(folder: Path, url: str, rounds: int, seed: int) -> Counter[str]:
    """Kill a service so many times; what the kills interrupted.

    Raises
    ------
    AssertionError
        In the end a row is lost, doubled or different.
    """
    rng = random.Random(seed)
    batch = own_line_stream(seed=seed, hours=ROWS * rounds * 2 / 3600)
    os.environ["LIDSTREAM_TEST_PASSWORD"] = Mosquitto.PASSWORD
    broker = Mosquitto(folder / "broker").start()
    file = folder / "station.toml"
    file.write_text(station_text(extra=f"{broker.source()}\n[archive]\nafter_days = 36500"))
    incoming = folder / "incoming"
    incoming.mkdir()
    said = folder / "said"

    def start() -> BaseProcess:
        return fork(serve, file, url, said, {"LIDSTREAM_TEST_PASSWORD": Mosquitto.PASSWORD})

    process: BaseProcess | None = None
    publisher = broker.client("logger", keep_session=True)
    stages: Counter[str] = Counter()
    try:
        with closing(open_store(url)) as store:
            _first_session(start(), broker)
            before = _counts(store)
            for i in range(rounds):
                process = start()
                at = i * ROWS
                mine = packs(part(batch, slice(at, at + ROWS)), rows=10)
                until = time.monotonic() + rng.uniform(0.1, 0.9)
                for payload in mine:
                    publisher.publish("small/records/a", payload, qos=1)
                    time.sleep(rng.uniform(0.0, 0.05))
                # A logger's file holds some of the same records, a little later.
                old = part(batch, slice(max(0, at - ROWS), max(1, at - ROWS // 2)))
                write_log(old, incoming / f"log{i % 7}.csv")
                time.sleep(max(0.0, until - time.monotonic()))
                _kill(process)
                after = _counts(store)
                stages[_stage(before, after)] += 1
                before = after
        process = start()
        calm = folder / "calm.toml"
        calm.write_text(station_text())
        log = write_log(part(batch, slice(0, rounds * ROWS)), folder / "calm" / "made.csv")
        expected_url = f"sqlite:///{folder / 'calm.db'}"
        replay(load_station(calm), [log], expected_url)
        expected = contents(expected_url)
        try:
            wait(lambda: contents(url) == expected, 90)
        except AssertionError:
            found = contents(url)
            wrong = [name for name in expected if found[name] != expected[name]]
            raise AssertionError(f"after {rounds} kills these differ: {wrong}") from None
        return stages
    finally:
        publisher.disconnect()
        publisher.loop_stop()
        if process is not None:
            process.kill()
            process.join()
        broker.stop()


def _first_session(process: BaseProcess, broker: Mosquitto) -> None:
    """The broker keeps messages for a session that it knows."""
    wait(lambda: broker.retained("lidstream/small/status", 0.3), about="first connection")
    _kill(process)


def _kill(process: BaseProcess) -> None:
    process.kill()
    process.join(10)
    assert process.exitcode == -signal.SIGKILL


def _counts(store: Store) -> tuple[int, int, int]:
    """Records, final closures, and spans that are not settled."""
    with store.reading() as connection:
        records = connection.execute(select(func.sum(journal_channels.c.records))).scalar()
        final = connection.execute(
            select(func.count()).select_from(closures).where(closures.c.revision > 0)
        ).scalar()
        open_spans = connection.execute(select(func.count()).select_from(unsettled)).scalar()
    return int(records or 0), int(final or 0), int(open_spans or 0)


def _stage(before: tuple[int, int, int], after: tuple[int, int, int]) -> str:
    if after[0] == before[0]:
        return "before a commit of records"
    if after[2]:
        return "records committed, not settled"
    return "settled" if after[1] == before[1] else "closures stored"


def main() -> int:
    """Run on both databases."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--postgres", default="postgresql+psycopg://postgres@127.0.0.1:5432/postgres"
    )
    options = parser.parse_args()
    for kind in ("sqlite", "postgresql"):
        folder = Path(tempfile.mkdtemp())
        name = f"lidstream_{uuid.uuid4().hex[:12]}"
        engine = create_engine(options.postgres, isolation_level="AUTOCOMMIT")
        if kind == "sqlite":
            url = f"sqlite:///{folder / 'station.db'}"
        else:
            with engine.connect() as connection:
                connection.execute(text(f'CREATE DATABASE "{name}"'))
            url = engine.url.set(database=name).render_as_string(hide_password=False)
        begun = time.monotonic()
        try:
            stages = kill_and_compare(folder, url, options.rounds, options.seed)
        finally:
            if kind == "postgresql":
                with engine.connect() as connection:
                    connection.execute(text(f'DROP DATABASE "{name}" WITH (FORCE)'))
            engine.dispose()
            shutil.rmtree(folder, ignore_errors=True)
        print(
            f"{kind}: {options.rounds} kills survived, every row equal,"
            f" {time.monotonic() - begun:.0f} s; interrupted: {dict(stages)}",
            flush=True,
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
