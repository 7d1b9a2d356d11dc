"""Whether a station runs already: then a doubtful station file must not stop its intake."""

from contextlib import closing

from stream.errors import StationFileError, StoreError
from stream.station import StationFile
from stream.store import open_store
from stream.store.connect import database_exists
from stream.store.journal.journal import Journal


def has_records(file: StationFile, url: str) -> bool:
    """Whether the database holds records of the station; True while it does not answer."""
    if not database_exists(url):
        return False
    try:
        with closing(open_store(url)) as store:
            return bool(Journal(store, file.station.id, file.archive).extent())
    except StoreError:
        # It may be away just now, and a service waits for it.
        return True


def admit(file: StationFile, url: str) -> list[str]:
    """What is to be said of a station file before it is worked with.

    Returns
    -------
    list of str
        Numbers that are odd; and of a station that runs already also those that cannot be
        right, for which its fluxes are marked.

    Raises
    ------
    StationFileError
        It holds numbers that cannot be right, and the station has no records yet.
    """
    refused = [f"{file.path}: {line}" for line in file.refused]
    if refused and not has_records(file, url):
        raise StationFileError(refused)
    marked = ["fluxes of these chambers are flagged setup_implausible"] if refused else []
    odd = [f"{file.path}: question: {line}" for line in file.questions]
    return [*refused, *marked, *odd]
