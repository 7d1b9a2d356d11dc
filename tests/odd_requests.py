"""Odd requests to the page, made by chance: `python tests/odd_requests.py --count 100000` asks them
all and prints how many were answered with which status.
"""

import argparse
import asyncio
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

sys.path[:0] = [str(Path(__file__).parent)]

from small import own_line_stream, station_text  # noqa: E402

from stream.pipeline.replay import join  # noqa: E402
from stream.service.pages import page_app  # noqa: E402
from stream.station import load_station  # noqa: E402
from stream.store import open_store  # noqa: E402

WORDS = [
    "", "0", "1", "-1", "²", "７", "9" * 30, str(2**63), str(2**63 - 1), str(-(2**63)), "1e308",
    "-1e308", "nan", "inf", "-inf", "0001-01-01", "9999-12-31", "2026-02-30", "2026-06-15",
    "2000-01-01", "2099-12-31", "1999-12-31", "2100-01-01", "2026-06", "0001-01", "9999-12",
    "N2O", "CO2", "C1", "C2", "C9", "laser", "chamber", "treatment", "fluxes", "records", "season",
    "csv", "parquet", "nc", "%00", "\0", "é", "🌱", "..", "../..", "<b>", "'", '"', " ", "a" * 3000,
    "1770000060", "-62135596800", "253402300799", "1e11", "-1e11", "0x10", "1_000", "+5", "١٢",
]  # fmt: skip
KEYS = ["from", "to", "days", "month", "gas", "chamber", "by", "steps", "of", "analyzer", "what",
        "format", "at", "odd"]  # fmt: skip
PATHS = ["/", "/day/{}", "/closure/{}/{}", "/data/closure/{}/{}", "/series", "/data/series",
         "/coverage", "/faults", "/standards", "/data/standards", "/field", "/data/field", "/log",
         "/download", "/sign-in", "/static/{}", "/{}"]  # fmt: skip


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


def requests(count: int, seed: int) -> Iterator[tuple[str, str]]:
    """Paths and queries."""
    yield from KNOWN
    rng = random.Random(seed)
    for _ in range(count):
        path = rng.choice(PATHS)
        while "{}" in path:
            path = path.replace("{}", quote(rng.choice(WORDS), safe=""), 1)
        pairs = [
            f"{rng.choice(KEYS)}={quote(rng.choice(WORDS), safe='')}"
            for _ in range(rng.choice((0, 1, 2, 2, 3, 5)))
        ]
        yield path, "&".join(pairs)


async def _ask(app: object, path: str, query: str, client: int) -> int:
    from urllib.parse import unquote

    status = 0

    async def receive() -> dict[str, object]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: dict[str, object]) -> None:
        nonlocal status
        if message["type"] == "http.response.start":
            status = int(str(message["status"]))

    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "GET",
        "scheme": "http", "path": unquote(path, errors="replace"), "raw_path": path.encode(),
        "query_string": query.encode(), "root_path": "", "headers": [(b"host", b"127.0.0.1")],
        # Each from an address of its own, so that no rate ends what is tried.
        "client": (f"10.{client >> 16 & 255}.{client >> 8 & 255}.{client & 255}", 1),
        "server": ("127.0.0.1", 80), "state": {},
    }  # fmt: skip
    await app(scope, receive, send)  # type: ignore[operator]
    return status


def statuses(count: int, seed: int) -> tuple[Counter[int], list[tuple[str, str]]]:
    """How many requests were answered with which status, and those answered with 500 or more."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "station.toml"
        path.write_text(station_text(), encoding="utf-8")
        file = load_station(path)
        with closing(open_store(f"sqlite:///{name}/small.db")) as store:
            parts = join(file, store)
            parts.intake.take(own_line_stream(hours=0.6))
            parts.settlement.settle()
            app = page_app(file, f"sqlite:///{name}/small.db", store)

            async def all_of_them() -> tuple[Counter[int], list[tuple[str, str]]]:
                found: Counter[int] = Counter()
                bad = []
                for i, (where, query) in enumerate(requests(count, seed)):
                    try:
                        status = await _ask(app, where, query, i)
                    except Exception:
                        status = 599
                    found[status] += 1
                    if status >= 500:
                        bad.append((where, query))
                return found, bad

            # A browser of another test may have a loop of its own in this thread.
            with ThreadPoolExecutor(1) as aside:
                return aside.submit(asyncio.run, all_of_them()).result()


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    tally, wrong = statuses(given.count, given.seed)
    print(dict(sorted(tally.items())))
    for where, query in wrong[:20]:
        print(f"{where}?{query}"[:200])
    sys.exit(1 if wrong else 0)
