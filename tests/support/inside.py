"""The service inside the test's own process, so that its surroundings can be bent."""

import threading
from collections.abc import Callable
from pathlib import Path

from running import wait

from stream.service.run import Service
from stream.station import load_station


class Inside:
    """A service in a thread; what it says is kept."""

    def __init__(self, station: Path, url: str, *, clock_is_right: bool = False) -> None:
        self.said: list[tuple[str, str, dict[str, object]]] = []
        self.error: BaseException | None = None
        self.service = Service(
            load_station(station), url, self._tell, clock_is_right=clock_is_right
        )
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _tell(self, level: str, event: str, **details: object) -> None:
        self.said.append((level, event, details))

    def _run(self) -> None:
        try:
            self.service.run()
        except BaseException as error:
            self.error = error

    def events(self, name: str) -> list[dict[str, object]]:
        """What was said about an event."""
        return [details for _, event, details in self.said if event == name]

    def wait_for(self, name: str, seconds: float = 60.0, count: int = 1) -> dict[str, object]:
        """The newest of so many lines about an event."""
        wait(lambda: len(self.events(name)) >= count or self.error, seconds, self.said)
        assert self.events(name), (name, self.said, self.error)
        return self.events(name)[-1]

    def until(self, true: Callable[[], object], seconds: float = 150.0) -> None:
        """Wait for something; what was said tells why it did not come."""
        wait(lambda: true() or self.error, seconds, self.said)
        assert self.error is None, self.error

    def stop(self) -> None:
        """Ask it to stop."""
        self.service.stop.set()
        self._thread.join(15)
        assert not self._thread.is_alive()

    def __enter__(self) -> "Inside":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._thread.is_alive():
            self.stop()
