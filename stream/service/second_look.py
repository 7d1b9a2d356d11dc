"""Records that a clock refused which turns out to have been behind: they are taken after all."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import groupby

import numpy as np

from stream.ingest.batches import Batch, from_cells
from stream.ingest.intake import Intake
from stream.service.clock import Verdict
from stream.store.journal.early import Early, EarlyRow


def take_early(intake: Intake, early: Early, verdict: Verdict, limit_us: int) -> int:
    """Take what was not ahead of its arrival, as that is known by now; how many rows.

    In the order in which they arrived, in one commit with their leaving the quarantine.

    Parameters
    ----------
    intake : Intake
    early : Early
    verdict : Verdict
    limit_us : int
        By how much a record may be dated after its arrival [µs].
    """
    waiting = early.waiting()
    good = [
        row
        for row in waiting
        if row.arrived_us < verdict.before_us
        and row.at_us <= min(row.arrived_us + verdict.behind_us, verdict.until_us) + limit_us
    ]
    intake.take_all((batch, ()) for batch in _batches(good))
    if verdict.now_right:
        early.forget([r.digest for r in waiting if r.arrived_us >= verdict.before_us])
    return len(good)


def _batches(rows: Sequence[EarlyRow]) -> Iterator[Batch]:
    for source, group in groupby(rows, key=lambda row: row.source):
        mine = list(group)
        cells: dict[str, tuple[list[int], list[float]]] = {}
        for row in mine:
            for channel, value in row.cells.items():
                times, values = cells.setdefault(channel, ([], []))
                times.append(row.at_us)
                values.append(value)
        columns = {
            channel: (np.array(times, dtype=np.int64), np.array(values))
            for channel, (times, values) in cells.items()
        }
        yield replace(from_cells(source, columns), early=tuple(row.digest for row in mine))
