"""Days of an archive that a database holds in part: their records are taken one by one."""

import numpy as np

from stream.compute.replay import Pipeline
from stream.ingest.batches import tidy
from stream.store.journal.archived_day import DayFile, read_day


def bring(parts: Pipeline, day: DayFile) -> int:
    """Take what the journal lacks of a day's file; how many records that were.

    Raises
    ------
    StoreError
        The file is damaged, or the database refuses.
    """
    new = 0
    for times, columns in read_day(day.path, day.sha256, set(day.records)):
        order = np.argsort(times, kind="stable")
        batch = tidy(
            day.path.name,
            times[order],
            {channel: values[order] for channel, values in columns.items()},
            np.arange(1, len(times) + 1),
        )
        fresh = parts.intake.unseen(batch)
        new += fresh.records
        parts.intake.take(fresh)
    return new
