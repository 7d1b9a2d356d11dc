"""Runs and visits of the channel that says what flows to an analyzer."""

from collections.abc import Mapping
from typing import Final

import numpy as np

from stream.science.closures.lid import Runs, runs_of
from stream.station import Analyzer
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
