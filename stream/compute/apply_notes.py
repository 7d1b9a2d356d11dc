"""What a note changes, worked out where no service does."""

from stream.compute.replay import join
from stream.compute.settle import Settled
from stream.errors import StoreTaken
from stream.station import StationFile
from stream.store import Store, WriterLock


def take_up(file: StationFile, store: Store) -> Settled | None:
    """Settle what new notes bear on.

    Returns
    -------
    Settled or None
        What changed; None where a running service sees to that.
    """
    try:
        with WriterLock(store, file.station.id) as lock:
            lock.claim()
            return join(file, store).settlement.settle()
    except StoreTaken:
        return None
