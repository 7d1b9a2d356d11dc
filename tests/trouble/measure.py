"""What each trouble costs, measured here and now and printed.

Run by hand: ``python tests/trouble/measure.py``. Each line is one trouble: how many situations
were tried and how long that took, or a number that the tests measure; then, by itself, the
first look at 20,000 small files.
"""

import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

HERE = Path(__file__).parent
TESTS = HERE.parent
TROUBLES = {
    "clocks that jump, and records from other times": "trouble/test_clocks.py",
    "slow, silent and wrong mail servers and webhooks": "service/test_slow_ways.py",
    "bits that turn over in records": "store/test_flipped_bits.py",
    "damage, archives and old backups under a running service": "trouble/test_damaged_records.py",
    "bits in text, files that vanish, second services": "trouble/test_turned_text.py",
    "two writers of one database": "store/test_owner.py",
    "names, links and stretches of NUL": "sources/test_folder_entries.py",
    "1,100 idle connections and a broker that comes back": "trouble/test_trouble.py -k thousand",
    "connections that keep the page waiting": "page/test_guests.py",
    "forged cookies and short words": "page/test_sessions.py",
    "planted secrets": "station/test_secrets.py",
    "odd requests": "page/test_odd_requests.py",
    "no database at the start": "trouble/test_no_database.py",
}


def main() -> int:
    """Print them; 1 where any failed."""
    failed = 0
    for what, tests in TROUBLES.items():
        where, *rest = tests.split()
        if not (TESTS / where).exists():
            print(f"{what}: no {where}")
            failed = 1
            continue
        begun = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-s", "-p", "no:cacheprovider",
             str(TESTS / where), *rest],
            capture_output=True, text=True,
        )  # fmt: skip
        took = time.perf_counter() - begun
        lines = done.stdout.splitlines()
        print(f"{what}: {lines[-1] if lines else done.stderr[-200:]} ({took:.0f} s in all)")
        for line in lines:
            if "flipped bits" in line:
                print(f"    {line[line.index('of ') :]}")
        failed |= done.returncode != 0
    print(f"first look at 20,000 files of 3 lines: {first_look(20_000):.1f} s")
    return int(failed)


def first_look(count: int) -> float:
    """Seconds until a service without a process has taken so many small files."""
    sys.path.insert(0, str(TESTS))
    from small import station_text

    from stream.pipeline.replay import join
    from stream.records import rfc3339
    from stream.sources.folder import FolderWatch
    from stream.station import FolderSource, load_station
    from stream.store import open_store

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "station.toml").write_text(station_text())
        (folder / "incoming").mkdir()
        first = 1_770_000_000
        for i in range(count):
            rows = "".join(
                f"{rfc3339((first + 30 * i + 10 * k) * 1_000_000)},331.{k}\n" for k in range(3)
            )
            (folder / "incoming" / f"log-{i:06}.csv").write_text(f"time,n2o\n{rows}")
        file = load_station(folder / "station.toml")
        (source,) = [s for s in file.station.sources if isinstance(s, FolderSource)]
        with closing(open_store(f"sqlite:///{folder / 'x.db'}")) as store:
            parts = join(file, store)
            watch = FolderWatch(file.station, source, folder / "incoming", [], {})
            begun = time.perf_counter()
            group = []
            for batch, _ in watch.poll():
                group.append((batch, []))
                if len(group) == 200:
                    parts.intake.take_all(group)
                    group = []
            parts.intake.take_all(group)
            took = time.perf_counter() - begun
            records = sum(n for _, _, n in parts.journal.extent().values())
            assert records == 3 * count, records
        return took


if __name__ == "__main__":
    sys.exit(main())
