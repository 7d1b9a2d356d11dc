"""What each trouble costs, measured here and now and printed.

Run by hand: ``python tests/trouble/measure.py``; ``--requests 100000`` asks the page so many odd
requests, ``--only WORD`` measures the troubles whose name holds a word. The numbers are those
that the tests find (their fixture ``measured``), each with the tests' name of the database where
there are two; then, by itself, the first look at 20,000 small files. Needs what the tests need:
Mosquitto, PostgreSQL, and for some the right to mount.
"""

import argparse
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree

HERE = Path(__file__).parent
TESTS = HERE.parent
TROUBLES = {
    "the computer's clock jumps ahead": "trouble/test_clocks.py -k jumped_ahead",
    "a record from the future": "trouble/test_clocks.py -k ahead_of_its_arrival or 2099_costs",
    "slow, silent and wrong mail servers and webhooks": "alerts/test_slow_ways.py",
    "bits that turn over in records": "store/test_flipped_bits.py -k every_one_is_noticed",
    "damage and archives under a running service": "trouble/test_damaged_records.py -k not backup",
    "an old backup is put back": "trouble/test_damaged_records.py -k backup",
    "bits in text, files that vanish": "trouble/test_turned_text.py",
    "two writers of one database": "store/test_owner.py -k two_services",
    "a second service or verb beside the first": "service/test_run.py -k second_writer",
    "names, links and stretches of NUL": "ingest/test_folder_entries.py",
    "idle connections and a broker that comes back": "trouble/test_trouble.py -k thousand",
    "connections that keep the page waiting": "web/test_guests.py",
    "forged cookies and short words": "web/test_sessions.py",
    "planted secrets": "station/test_secrets.py",
    "odd requests": "web/test_odd_requests.py",
    "a station file that is edited": "service/test_run.py -k is_changed",
    "no database at the start": "trouble/test_no_database.py",
    "a damaged or locked database, a full disk": "trouble/test_trouble.py -k database or disk_full",
    "a release that refuses what the one before took": "service/test_run.py -k upgrade",
}
"""What happens: the tests that try it."""


def main() -> int:
    """Print them; 1 where any failed."""
    parser = argparse.ArgumentParser(description="What each trouble costs.")
    parser.add_argument("--requests", type=int, default=0, help="odd requests to send besides")
    parser.add_argument("--only", default="", help="troubles whose name holds this word")
    given = parser.parse_args()
    failed = False
    for what, tests in TROUBLES.items():
        if given.only in what:
            failed |= tried(what, tests)
    if given.requests:
        failed |= asked(given.requests)
    if given.only in "first look":
        print(f"first look at 20,000 files of 3 lines: {first_look(20_000):.1f} s", flush=True)
    return int(failed)


def tried(what: str, tests: str) -> bool:
    """Run the tests of a trouble and print what they measured; whether one failed."""
    where, _, words = tests.partition(" -k ")
    begun = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.xml"
        done = subprocess.run(
            [
                sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(TESTS / where),
                *(["-k", words] if words else []), f"--junitxml={report}",
                "-o", "junit_family=xunit1",  # the other has no place for numbers of a test
            ],
            capture_output=True, text=True,
        )  # fmt: skip
        lines = done.stdout.splitlines() or [done.stderr[-200:]]
        print(f"\n{what}: {lines[-1]}", flush=True)
        for line in lines:
            if line.startswith(("FAILED", "ERROR")):
                print(f"    {line}")
        if report.exists():
            for case in ElementTree.parse(report).iter("testcase"):
                _, _, which = case.get("name", "").partition("[")
                for number in case.iter("property"):
                    of = f" [{which}" if which else ""
                    print(f"    {number.get('name')}: {number.get('value')}{of}")
    print(f"    ({time.perf_counter() - begun:.0f} s)", flush=True)
    return done.returncode != 0


def asked(count: int) -> bool:
    """Send odd requests, and print what came of them; whether one was not answered."""
    words = [sys.executable, str(TESTS / "support" / "odd_requests.py"), "--count", str(count)]
    print(f"\n{count:,} odd requests, by guests and by somebody who has signed in", flush=True)
    return subprocess.run(words).returncode != 0


def first_look(count: int) -> float:
    """Seconds until a service without a process has taken so many small files."""
    sys.path.insert(0, str(TESTS / "support"))
    from small import station_text

    from stream.compute.replay import join
    from stream.ingest.files.folder import FolderWatch
    from stream.station import FolderSource, load_station
    from stream.store import open_store
    from stream.times import rfc3339

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
