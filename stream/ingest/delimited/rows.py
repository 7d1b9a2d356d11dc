"""What is read of some lines of a file, before its times are put into UTC."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from stream.ingest.batches import Reject

Floats = NDArray[np.float64]


@dataclass
class Rows:
    """Rows in order: times not yet put into UTC, one array a channel."""

    times: NDArray[np.int64]
    local: NDArray[np.bool_]
    values: Mapping[str, Floats]
    lines: NDArray[np.int64]
    rejects: list[Reject] = field(default_factory=list)
