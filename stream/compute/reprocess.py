"""New revisions from the stored records: another dead band, another height, newer software."""

from contextlib import closing

from stream.compute.replay import Report, join
from stream.compute.settle import Settled, without_pauses
from stream.compute.workers import DaskExecutor, ProcessExecutor
from stream.errors import StoreError
from stream.station import StationFile
from stream.store import WriterLock, open_existing
from stream.times import DAY


def reprocess(
    file: StationFile,
    url: str,
    first_us: int | None = None,
    stop_us: int | None = None,
    *,
    workers: int = 1,
    scheduler: str | None = None,
    report: Report | None = None,
) -> Settled:
    """Work out a period again under the station file as it is now.

    Parameters
    ----------
    file : StationFile
        The station.
    url : str
        Of the database.
    first_us, stop_us : int, optional
        Period by the closing of the lid, the end excluded [µs]; all where not given.
    workers : int
        Processes of this computer that work closures out.
    scheduler : str, optional
        Address of a Dask scheduler whose workers do so instead.
    report : callable, optional
        For a progress bar.

    Returns
    -------
    Settled
        What was revised; old revisions stay readable.

    Raises
    ------
    StoreError
        There is no database, or no record of the station in it, or it refuses.
    """
    with closing(open_existing(url)) as store, WriterLock(store, file.station.id) as lock:
        lock.claim()
        parts = join(file, store)
        extent = parts.journal.extent()
        if not extent:
            raise StoreError(
                f"{store.shown}: no record of station {file.station.id!r};"
                " run lidstream replay first, or name another database"
            )
        start = min(first for first, _, _ in extent.values())
        until = max(last for _, last, _ in extent.values())
        first = -(2**62) if first_us is None else first_us
        stop = 2**62 if stop_us is None else stop_us
        total = max(1.0, (min(stop, until) - max(first, start)) / DAY)
        done = 0.0

        def progress(days: float) -> None:
            nonlocal done
            done += days
            if report:
                report("fluxes", done, total)

        many: ProcessExecutor | DaskExecutor | None = None
        if scheduler is not None:
            many = DaskExecutor(file, url, scheduler)
        elif workers > 1:
            many = ProcessExecutor(file, url, workers)
        try:
            with without_pauses():
                return parts.settlement.reprocess(first, stop, progress=progress, workers=many)
        finally:
            if many is not None:
                many.close()
