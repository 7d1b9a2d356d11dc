"""Odd requests to the page of a running service, made by chance, by guests and by somebody who has
signed in: `python tests/support/odd_requests.py --count 100000` sends them all and prints how many
were answered with which status.
"""

import argparse
import os
import random
import re
import socket
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote, urlencode

sys.path[:0] = [str(Path(__file__).parent)]

from broker import Mosquitto, free_port  # noqa: E402
from page_client import Client  # noqa: E402
from running import Running  # noqa: E402
from small import own_line_stream, station_text, write_log  # noqa: E402

WORDS = [
    "", "0", "1", "-1", "²", "７", "9" * 30, str(2**63), str(2**63 - 1), str(-(2**63)), "1e308",
    "-1e308", "nan", "inf", "-inf", "0001-01-01", "9999-12-31", "2026-02-30", "2026-06-15",
    "2000-01-01", "2099-12-31", "1999-12-31", "2100-01-01", "2026-06", "0001-01", "9999-12",
    "N2O", "CO2", "C1", "C2", "C9", "laser", "chamber", "treatment", "fluxes", "records", "season",
    "csv", "parquet", "nc", "%00", "\0", "é", "🌱", "..", "../..", "<b>", "'", '"', " ", "a" * 3000,
    "1770000060", "-62135596800", "253402300799", "1e11", "-1e11", "0x10", "1_000", "+5", "١٢",
    "\ud800", "\ufeff", "\r\nX: y", "2026-06-15T25:61", "0001-01-01T00:00", "9999-12-31T23:59",
    "9999-12-31T23:59:59-14:00", "fertilizer", "other", "bad", "taken_back", "height", "moved",
]  # fmt: skip
KEYS = ["from", "to", "days", "month", "gas", "chamber", "by", "steps", "of", "analyzer", "what",
        "format", "at", "odd"]  # fmt: skip
PATHS = ["/", "/day/{}", "/closure/{}/{}", "/data/closure/{}/{}", "/series", "/data/series",
         "/coverage", "/faults", "/standards", "/data/standards", "/field", "/data/field", "/log",
         "/download", "/sign-in", "/static/{}", "/{}"]  # fmt: skip
FORMS = ["/log", "/log", "/log/{}/take-back", "/sign-in", "/sign-out", "/series", "/{}"]
FIELDS = ["kind", "text", "at", "until", "chamber", "plot", "treatment", "amount", "key", "why",
          "name", "token", "form", "odd"]  # fmt: skip
METHODS = ["HEAD", "OPTIONS", "PUT", "DELETE", "PATCH", "TRACE", "BREW"]

KNOWN = [
    ("/coverage", "month=9999-12"), ("/coverage", "month=0001-01"), ("/faults", "days=%C2%B2"),
    ("/day/0001-01-01", ""), ("/day/9999-12-31", ""), (f"/closure/C1/{2**63}", ""),
    (f"/data/closure/C1/{2**63}", ""), (f"/closure/C1/{'9' * 30}", ""),
    ("/data/series", "steps=%C2%B2"), ("/data/series", "from=-99999999999&to=-99999999998"),
    ("/data/series", "by=treatment&from=-62135596800&to=-62135500000"),
    ("/data/series", "by=treatment&from=-99999999998&to=99999999999"),
    ("/data/standards", "from=nan&to=inf"), ("/download", "what=fluxes&from=0001-01-01"),
    ("/download", "what=fluxes&to=9999-12-31"), ("/download", "what=daily&from=9999-12-31"),
]  # fmt: skip
"""Some of these were answered with 500."""
ANSWERS = frozenset({200, 303, 307, 400, 403, 404, 405, 413, 429})
"""What an odd request may be answered with."""
SLOW_S = 10.0


@dataclass(frozen=True, slots=True)
class Asked:
    """One request."""

    method: str
    target: str
    form: str | None = None
    signed_in: bool = False


@dataclass(slots=True)
class Tally:
    """What came of the requests."""

    statuses: Counter[int] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    """Requests that were answered with none of :data:`ANSWERS`, and tracebacks."""
    slowest_s: float = 0.0
    slowest: str = ""

    @property
    def broken(self) -> int:
        """Requests that were answered with 500 or more, or not at all."""
        return sum(n for status, n in self.statuses.items() if status >= 500 or not status)


def requests(count: int, seed: int) -> Iterator[Asked]:
    """Those that are known, then as many by chance."""
    for path, query in KNOWN:
        yield Asked("GET", f"{path}?{query}")
    rng = random.Random(seed)

    def word() -> str:
        if rng.random() < 0.1:
            return rng.randbytes(rng.choice((1, 3, 12))).decode("latin-1")
        return rng.choice(WORDS)

    def filled(path: str) -> str:
        while "{}" in path:
            path = path.replace("{}", quote(word(), safe="", errors="surrogatepass"), 1)
        return path

    def pairs(keys: list[str]) -> list[tuple[str, str]]:
        return [(rng.choice(keys), word()) for _ in range(rng.choice((0, 1, 2, 2, 3, 5)))]

    for _ in range(count):
        signed_in, kind = rng.random() < 0.5, rng.random()
        if kind < 0.15:
            given = urlencode(pairs(FIELDS), errors="surrogatepass")
            yield Asked("POST", filled(rng.choice(FORMS)), given, signed_in)
            continue
        query = urlencode(pairs(KEYS), errors="surrogatepass")
        method = rng.choice(METHODS) if kind < 0.2 else "GET"
        yield Asked(method, f"{filled(rng.choice(PATHS))}?{query}", None, signed_in)


class Guest:
    """Sends requests, each from an address of its own, so that no rate ends what is tried."""

    def __init__(self, port: int) -> None:
        self.port = port
        client = Client(f"http://127.0.0.1:{port}")
        assert client.sign_in(Mosquitto.PASSWORD) == 303
        text = client.ask("GET", "/log")[1]
        self.form = re.findall(r'name="form" value="([^"]+)"', text)[0]
        self.cookie = client.cookie

    def send(self, number: int, asked: Asked) -> tuple[int, float]:
        """The status of the answer, 0 without one, and how long it took [s]."""
        lines = [f"{asked.method} {asked.target} HTTP/1.1", "Host: 127.0.0.1", "Connection: close"]
        if asked.signed_in:
            lines.append(f"Cookie: {self.cookie}")
        body = b""
        if asked.form is not None:
            ours = urlencode({"form": self.form}) + "&" if asked.signed_in else ""
            body = (ours + asked.form).encode()
            lines.append("Content-Type: application/x-www-form-urlencoded")
            lines.append(f"Content-Length: {len(body)}")
        whole = "\r\n".join([*lines, "", ""]).encode() + body
        mine = f"127.{1 + (number >> 16 & 127)}.{number >> 8 & 255}.{1 + (number & 127)}"
        begun = time.monotonic()
        got = b""
        try:
            with socket.create_connection(("127.0.0.1", self.port), 60, (mine, 0)) as connection:
                connection.sendall(whole)
                while piece := connection.recv(65_536):
                    got = got or piece
        except OSError:
            got = b""
        found = re.match(rb"HTTP/1\.1 (\d{3}) ", got)
        return int(found[1]) if found else 0, time.monotonic() - begun


def ask_all(count: int, seed: int) -> Tally:
    """Ask a service that has some closures, and look at its log for tracebacks afterwards."""
    tally = Tally()
    with tempfile.TemporaryDirectory() as name:
        folder, port = Path(name), free_port()
        page = f'[page]\nport = {port}\ntoken = "${{LIDSTREAM_TEST_PASSWORD}}"\n'
        rules = page + "[archive]\nafter_days = 36500"
        (folder / "station.toml").write_text(station_text(extra=rules), encoding="utf-8")
        write_log(own_line_stream(hours=0.6), folder / "incoming" / "log.csv")
        with Running(folder / "station.toml", f"sqlite:///{folder}/small.db") as running:
            running.wait_for("page served", 120)
            running.wait_for("settled", 120)
            guest = Guest(port)

            def one(numbered: tuple[int, Asked]) -> tuple[Asked, int, float]:
                return numbered[1], *guest.send(*numbered)

            with ThreadPoolExecutor(4) as pool:
                asked = enumerate(requests(count, seed))
                for request, status, took in pool.map(one, asked):
                    tally.statuses[status] += 1
                    if status not in ANSWERS:
                        tally.wrong.append(f"{status}: {request}"[:300])
                    if took > tally.slowest_s:
                        tally.slowest_s, tally.slowest = took, str(request)[:300]
            running.stop(60)
            tally.wrong += [line for line in running.raw if "Traceback" in line]
    return tally


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    os.environ["LIDSTREAM_TEST_PASSWORD"] = Mosquitto.PASSWORD
    found = ask_all(given.count, given.seed)
    print(f"answers: {dict(sorted(found.statuses.items()))}")
    print(f"answered with 500, or not at all: {found.broken} of {found.statuses.total()}")
    print(f"the slowest took {found.slowest_s:.1f} s: {found.slowest}")
    for line in found.wrong[:20]:
        print(line)
    sys.exit(1 if found.wrong else 0)
