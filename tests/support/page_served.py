"""A running service with demonstration data, its page, and a real browser."""

import json
import os
import shutil
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from email.message import Message

import pytest
from broker import free_port, need
from playwright.sync_api import Browser, Page, sync_playwright
from running import Running, wait

from stream.demo.scenario import own_line
from stream.demo.write import write_station
from stream.station import StationFile, load_station

WORD = "between the rows 7"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
QUIET = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip


def _lower(headers: Message) -> dict[str, str]:
    return {name.lower(): value for name, value in headers.items()}


@dataclass
class Served:
    """A service that serves its page."""

    file: StationFile
    base: str
    running: Running

    def get(self, path: str, **headers: str) -> tuple[int, dict[str, str], bytes]:
        """Status, headers and body."""
        request = urllib.request.Request(self.base + path, headers=headers)
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                return answer.status, _lower(answer.headers), answer.read()
        except urllib.error.HTTPError as error:
            return error.code, _lower(error.headers), error.read()

    def data(self, path: str) -> dict[str, object]:
        """JSON."""
        found: dict[str, object] = json.loads(self.get(path)[2])
        return found


@pytest.fixture(scope="session")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The own-line station of the demonstration, three days with its faults, as a service."""
    folder = tmp_path_factory.mktemp("served")
    path = write_station(own_line(), folder)
    port = free_port()
    with path.open("a") as out:
        out.write(
            f'\n[page]\nport = {port}\ntoken = "${{LIDSTREAM_TEST_PASSWORD}}"\n'
            '\n[[events]]\nkind = "fertilizer"\nday = 2026-06-15\namount = 80.0\n'
        )
    os.environ.setdefault("LIDSTREAM_TEST_PASSWORD", WORD)
    file = load_station(path)
    with Running(path, file.database_url) as running:
        running.wait_for("page served", 60)
        found = Served(file, f"http://127.0.0.1:{port}", running)
        # The last closure of the records is over at midnight of the fourth day, winter time.
        wait(lambda: "2026-06-18 01:0" in found.get("/")[2].decode(), 120, running.raw)
        wait(lambda: found.data("/data/series?gas=N2O&chamber=B2")["full"] == 24, 120, running.raw)
        yield found


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Chromium without a window."""
    need(CHROMIUM, "chromium")
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        yield found
        found.close()


@pytest.fixture
def page(browser: Browser, served: Served) -> Iterator[Page]:
    """A tab; whatever it asks of somebody else, and every error of a script, fails the test."""
    context = browser.new_context(
        viewport={"width": 1200, "height": 900}, timezone_id="America/Lima", base_url=served.base
    )
    context.set_default_timeout(90_000)
    tab = context.new_page()
    wrong: list[str] = []
    tab.on("request", lambda r: wrong.append(r.url) if not r.url.startswith(served.base) else None)
    tab.on("pageerror", lambda e: wrong.append(str(e)))
    tab.on("console", lambda m: wrong.append(m.text) if "Content Security" in m.text else None)
    yield tab
    context.close()
    assert wrong == []
