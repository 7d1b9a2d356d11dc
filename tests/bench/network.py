"""Many stations in one PostgreSQL: what ``configs/NETWORK.md`` is extrapolated from.

Run by hand: ``python tests/bench/network.py --stations 12 --days 3``. Each station's logs are
taken by a process of its own, so many at once as there are processors; then the database is
asked how large it has become, and a few services are started to see what one of them needs.
"""

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
import uuid
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import psycopg
from running import Running
from servers import POSTGRES
from sqlalchemy import create_engine, text

from stream.demo.scenario import own_line
from stream.demo.write import write_station
from stream.store import open_store

IDLE_S = 20
PARTITIONS = Path(__file__).parents[2] / "configs" / "partitions.sql"


def replay(path: Path, logs: Path, url: str) -> float:
    """Seconds to take a station's logs."""
    begun = time.perf_counter()
    command = [sys.executable, "-m", "stream.cli", "replay", path, logs, "--database", url]
    subprocess.run(command, check=True, capture_output=True)
    return time.perf_counter() - begun


def sizes(url: str) -> dict[str, int]:
    """Table → bytes, indices and large values included."""
    engine = create_engine(url)
    query = """
        SELECT relname, pg_total_relation_size(oid) FROM pg_class
        WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace
    """
    with engine.connect() as connection:
        connection.exec_driver_sql("ANALYZE")
        found: dict[str, int] = {}
        for name, size in connection.execute(text(query)):
            table = re.sub(r"_\d+$", "", name)  # partitions count as what they are parts of
            found[table] = found.get(table, 0) + int(size)
    engine.dispose()
    return found


def memory(path: Path, url: str, services: int) -> tuple[float, float]:
    """Resident MB of an idle service, and its share of a processor."""
    running = [Running(path.with_name(f"service{i}.toml"), url) for i in range(services)]
    try:
        for r in running:
            r.wait_for("running", 60)
        ticks = os.sysconf("SC_CLK_TCK")

        def used() -> float:
            total = 0.0
            for r in running:
                fields = Path(f"/proc/{r.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
                total += (int(fields[11]) + int(fields[12])) / ticks
            return total

        time.sleep(5)
        before = used()
        time.sleep(IDLE_S)
        share = (used() - before) / IDLE_S / services
        resident = 0.0
        for r in running:
            words = Path(f"/proc/{r.process.pid}/status").read_text().split()
            resident += int(words[words.index("VmRSS:") + 1]) / 1024
        return resident / services, share
    finally:
        for r in running:
            r.kill()


def main() -> None:
    """Fill, weigh, extrapolate."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--stations", type=int, default=12)
    parser.add_argument("--days", type=int, default=3)
    parser.add_argument("--partitions", action="store_true", help="as configs/partitions.sql")
    arguments = parser.parse_args()
    admin = create_engine(POSTGRES, isolation_level="AUTOCOMMIT")
    name = f"lidstream_{uuid.uuid4().hex[:10]}"
    with admin.connect() as connection:
        connection.execute(text(f'CREATE DATABASE "{name}"'))
    url = admin.url.set(database=name).render_as_string(hide_password=False)
    try:
        if arguments.partitions:
            open_store(url).close()
            with psycopg.connect(url.replace("+psycopg", "")) as connection:
                connection.execute(PARTITIONS.read_text())
        with tempfile.TemporaryDirectory() as folder:
            path = write_station(own_line(arguments.days, faults=False), Path(folder))
            plain = path.read_text()
            stations = []
            for i in range(arguments.stations):
                station = path.with_name(f"station{i}.toml")
                station.write_text(plain.replace('id = "vellmark"', f'id = "s{i:03d}"'))
                stations.append(station)
            logs = Path(folder) / "incoming"
            begun = time.perf_counter()
            with ThreadPoolExecutor(os.cpu_count()) as pool:
                list(pool.map(lambda s: replay(s, logs, url), stations))
            took = time.perf_counter() - begun
            amount = arguments.stations * arguments.days
            each = took / amount
            print(f"{amount} station-days in {took:.0f} s: {each:.2f} s each on all processors")
            found = sizes(url)
            for table, size in sorted(found.items(), key=lambda item: -item[1])[:6]:
                print(f"  {table:<18}{size / amount / 1e6:>8.2f} MB a station-day")
            rest = sum(v for k, v in found.items() if k != "journal_blocks")
            print(f"  all but the journal {rest / amount / 1e6:.2f} MB a station-day")
            empty = Path(folder) / "empty"
            empty.mkdir()
            for i in range(4):
                service = path.with_name(f"service{i}.toml")
                service.write_text(
                    plain.replace('id = "vellmark"', f'id = "s{i:03d}"').replace(
                        'path = "incoming"', 'path = "empty"'
                    )
                )
            resident, share = memory(path, url, 4)
            print(f"an idle service: {resident:.0f} MB, {100 * share:.1f} % of a processor")
            stored = 1000 * 365 * rest / amount / 1e12
            print(f"1,000 stations: {1000 * took / amount / 86_400 * os.cpu_count():.1f} processors"
                  f" to keep up, {stored:.1f} TB of results a year")  # fmt: skip
    finally:
        with admin.connect() as connection:
            connection.execute(text(f'DROP DATABASE "{name}" WITH (FORCE)'))
        admin.dispose()


if __name__ == "__main__":
    main()
