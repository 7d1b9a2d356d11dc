"""A broker for the tests of the service."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from broker import Mosquitto


@pytest.fixture
def broker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Mosquitto]:
    """A broker with a password, running."""
    monkeypatch.setenv("LIDSTREAM_TEST_PASSWORD", Mosquitto.PASSWORD)
    mosquitto = Mosquitto(tmp_path / "broker").start()
    yield mosquitto
    mosquitto.stop()
