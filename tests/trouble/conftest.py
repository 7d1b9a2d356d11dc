"""A station, its broker, and what it should hold in the end."""

import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from broker import Mosquitto, need
from small import contents, own_line_stream, station_text, write_log

from stream.compute.replay import replay
from stream.ingest.batches import Batch
from stream.station import load_station

BATCH = own_line_stream(hours=0.6)


@pytest.fixture
def broker(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> Iterator[Mosquitto]:
    """A broker with a password, running; a test may ask for more."""
    monkeypatch.setenv("LIDSTREAM_TEST_PASSWORD", Mosquitto.PASSWORD)
    mosquitto = Mosquitto(tmp_path / "broker", **getattr(request, "param", {})).start()
    yield mosquitto
    mosquitto.stop()


@pytest.fixture
def station(tmp_path: Path) -> Callable[..., Path]:
    """Writes a station file into a folder; the archive is not to come in between."""

    def make(*extra: str, folder: Path = tmp_path) -> Path:
        path = folder / "station.toml"
        path.write_text(station_text(extra="\n".join([*extra, "[archive]", "after_days = 36500"])))
        (folder / "incoming").mkdir(exist_ok=True)
        return path

    return make


@pytest.fixture(scope="session")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., dict[str, object]]:
    """What one replay of the same records gives; worked out once, though it is asked for again
    and again.
    """
    known: dict[bytes, dict[str, object]] = {}

    def run(batch: Batch = BATCH, text: bytes | None = None) -> dict[str, object]:
        calm = tmp_path_factory.mktemp("calm")
        log = write_log(batch, calm / "made.csv")
        if text is not None:
            log.write_bytes(text)
        if (content := log.read_bytes()) not in known:
            (calm / "station.toml").write_text(station_text())
            url = f"sqlite:///{calm / 'undisturbed.db'}"
            replay(load_station(calm / "station.toml"), [log], url)
            known[content] = contents(url)
        return known[content]

    return run


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 4 MB of its own."""
    folder = tmp_path / "disk"
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", folder], capture_output=True
    )
    need(None if made.returncode else "mount", "the right to mount a small disk")
    yield folder
    subprocess.run(["umount", "-l", folder], check=True)
