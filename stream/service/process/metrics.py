"""Metrics for Prometheus, on a port of this computer."""

import threading
from collections.abc import Iterator
from typing import Any
from wsgiref.simple_server import WSGIServer

from prometheus_client import CollectorRegistry, Histogram, start_http_server
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.registry import Collector

from stream.service.process.state import SourceState, State
from stream.service.process.supervisor import Supervisor


class _Now(Collector):
    """What is true at the moment of asking."""

    def __init__(self, state: State, supervisor: Supervisor) -> None:
        self._state = state
        self._supervisor = supervisor

    def collect(self) -> Iterator[Any]:
        """All families."""
        state = self._state
        for name, text, read in (
            ("last_record_age_seconds", "Age of the newest record.", SourceState.age_s),
            ("clock_offset_seconds", "Arrival minus time of a record.", lambda s: s.clock_offset_s),
            ("unacknowledged", "Messages that wait for a commit.", lambda s: s.unacknowledged),
            ("waiting_bytes", "Bytes of files not taken yet.", lambda s: s.waiting_bytes),
            ("connected", "Whether the source is there.", lambda s: s.connected),
        ):
            family = GaugeMetricFamily(f"lidstream_source_{name}", text, labels=["source"])
            for source in state.sources:
                family.add_metric([source.name], float(read(source)))
            yield family
        plain = (
            ("queue_depth", "Items that wait for the writer.", state.queue),
            ("disk_free_bytes", "Free space beside the database.", state.free_mb() * 1e6),
            ("store_good", "1 while the database can be written.", state.store_trouble is None),
        )
        for name, text, value in plain:
            yield GaugeMetricFamily(f"lidstream_{name}", text, value=float(value))
        for name, text, value in (
            ("records", "Records taken, repeated ones included.", state.records),
            ("quarantined_lines", "Lines and payloads newly in quarantine.", state.refused),
            ("commits", "Commits of records.", state.commits),
            ("settlements", "Settlements.", state.settlements),
        ):
            yield CounterMetricFamily(f"lidstream_{name}", text, value=float(value))
        results = CounterMetricFamily(
            "lidstream_results", "Results stored.", labels=["what", "how"]
        )
        for (what, how), n in list(state.results.items()):
            results.add_metric([what, how], n)
        yield results
        closures = GaugeMetricFamily(
            "lidstream_closures_last_day", "Closures of the last day.", labels=["chamber"]
        )
        flags = GaugeMetricFamily(
            "lidstream_flags_last_day",
            "Closures and gaps of the last day that bear a flag.",
            labels=["chamber", "flag"],
        )
        for (chamber, flag), n in list(state.recent.items()):
            if flag:
                flags.add_metric([chamber, flag], n)
            else:
                closures.add_metric([chamber], n)
        yield closures
        yield flags
        restarts = CounterMetricFamily(
            "lidstream_thread_restarts", "Threads started again.", labels=["thread"]
        )
        for part in self._supervisor.parts:
            restarts.add_metric([part.name], part.restarts)
        yield restarts


class Metrics:
    """The registry, and the server once it is started."""

    def __init__(self, state: State, supervisor: Supervisor) -> None:
        self.registry = CollectorRegistry()
        self.registry.register(_Now(state, supervisor))
        buckets = (0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0)
        self.commit_seconds = Histogram(
            "lidstream_commit_seconds", "Time to make a batch durable.",
            buckets=buckets, registry=self.registry,
        )  # fmt: skip
        self.settle_seconds = Histogram(
            "lidstream_settle_seconds", "Time of a settlement.",
            buckets=buckets, registry=self.registry,
        )  # fmt: skip
        self._server: WSGIServer | None = None
        self._thread: threading.Thread | None = None

    def serve(self, host: str, port: int) -> None:
        """Answer on a port.

        Raises
        ------
        OSError
            The port is taken.
        """
        self._server, self._thread = start_http_server(port, addr=host, registry=self.registry)

    def close(self) -> None:
        """Stop answering."""
        if self._server is not None and self._thread is not None:
            self._server.shutdown()
            self._server.server_close()
            self._thread.join(2.0)
