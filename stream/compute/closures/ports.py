"""Runs and visits of the channel that says what flows to an analyzer."""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from stream.science.closures.lid import LidClosure, Runs, runs_of
from stream.science.closures.visits import PortVisit, port_visits
from stream.station import Analyzer, Chamber
from stream.store.journal.journal import Series
from stream.times import SECOND

PORT_HOLD_US: Final = 60 * SECOND
"""How long the selector is taken to stay on a port without a record."""


def port_runs(analyzer: Analyzer, records: Mapping[str, Series]) -> Runs:
    """Runs of the channel that says what flows; of injections, at the moment of injection."""
    if analyzer.selector is None:
        raise ValueError(f"analyzer {analyzer.id} has no channel that says what flows")
    series = records[analyzer.selector].filled()
    # An injection's record bears the port that was injected, though it comes a lag later.
    times = series.times - round((analyzer.lag_s - analyzer.mixing_s) * SECOND)
    return runs_of(times, np.rint(series.values).astype(np.int64), PORT_HOLD_US)


def stays_of(
    analyzer: Analyzer, runs: Runs, closures: Sequence[tuple[Chamber, LidClosure]]
) -> list[list[PortVisit]]:
    """For each closure the visits to its port that overlap it; none without a selector."""
    if not analyzer.shared:
        return [[] for _ in closures]
    until = int(runs.last[-1]) if len(runs) else 0
    by_port: dict[int, list[PortVisit]] = {}
    for visit in port_visits(runs, PORT_HOLD_US, until):
        by_port.setdefault(visit.port, []).append(visit)
    return [
        [
            v
            for v in by_port.get(chamber.port if chamber.port is not None else -1, [])
            if v.ended_us > lid.closed_us and v.started_us < lid.opened_us
        ]
        for chamber, lid in closures
    ]
