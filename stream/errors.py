"""The errors that reach a user, drawn.

LidstreamError
├ StationFileError      where in the file, what is wrong, what to write
├ SourceError           a file, folder or broker cannot be read as a whole
│ ├ SourceLost          it could be read before and is gone now
│ └ SourceWaits         it can be read once the station file says more
├ RecordError           one bad line or pack: goes to quarantine, never up
├ CommandError          the command line asks for something that cannot be
│ └ SelectionError      a gas, chamber or unit that is not there, of a table
├ QueryError            a call asks for something that is not there (a ValueError too)
├ MissingLibrary        a call needs a library that is not installed (an ImportError too)
└ StoreError            the database refuses
  ├ StoreRefused        it cannot hold what it was given; waiting does not mend that
  ├ RecordsDamaged      some records are not as they were stored
  ├ StoreBusy           somebody else holds it just now
  │ └ StoreTaken        another lidstream writes for the station
  └ StoreCorrupt        it is not ours to read
    └ StoreDamaged      it was, and is broken

Each carries one line that says what, where and what to do. A fit that does not
converge is a result with a reason, not an exception.
"""


class LidstreamError(Exception):
    """Root of the tree. ``exit_code`` is what the command ends with."""

    exit_code = 1


class StationFileError(LidstreamError):
    """The station file is wrong; ``faults`` holds one line for each fault."""

    exit_code = 2

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


class CommandError(LidstreamError):
    """The command line asks for something that cannot be."""

    exit_code = 2


class SelectionError(CommandError):
    """A table is asked for a gas, chamber or unit that is not there, or does not fit.

    Attributes
    ----------
    plain : str
        What is wrong, for who asked by a call and not by options of the command line.
    """

    def __init__(self, option: str, problem: str, advice: str = "", call: str = "") -> None:
        super().__init__(f"--{option}{problem}{advice}")
        self.plain = f"{option}{problem}{call or advice}"


class QueryError(LidstreamError, ValueError):
    """A call asks for something that is not there."""

    exit_code = 2


class MissingLibrary(LidstreamError, ImportError):
    """A call needs a general library that is not installed."""


class SourceError(LidstreamError):
    """A file, folder or broker cannot be read as a whole."""

    exit_code = 2


class SourceLost(SourceError):
    """A source that was there is gone."""

    exit_code = 1


class SourceWaits(SourceError):
    """A file whose records are taken once the station file says more."""


class RecordError(LidstreamError):
    """One line or pack cannot be understood; it goes to quarantine with this reason."""


class StoreError(LidstreamError):
    """The database refuses."""


class StoreRefused(StoreError):
    """The database cannot hold these values, whenever they come."""


class RecordsDamaged(StoreError):
    """A block or an archived day of the journal is gone, or not as it was stored.

    Attributes
    ----------
    where : int or str
        Number of a block in the database, or path of a day in the archive.
    """

    def __init__(self, text: str, where: int | str) -> None:
        super().__init__(text)
        self.where = where


class StoreBusy(StoreError):
    """Somebody else holds the database."""


class StoreTaken(StoreBusy):
    """Another process is the writer of the station."""


class StoreCorrupt(StoreError):
    """The database is damaged, or is not one that this version can read."""


class StoreDamaged(StoreCorrupt):
    """The file of the database is not intact."""
