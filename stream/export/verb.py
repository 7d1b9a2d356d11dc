"""The verb ``export``: a table from the database into a file."""

from contextlib import closing
from pathlib import Path

from stream.errors import CommandError
from stream.export import tables
from stream.export.csv_file import write_csv
from stream.station import StationFile
from stream.store import open_existing
from stream.store.journal import Journal
from stream.store.readers import Period, Reader


def export(
    file: StationFile,
    what: str,
    out: Path,
    url: str,
    *,
    first: int | None = None,
    stop: int | None = None,
    gases: tuple[str, ...] = (),
    chambers: tuple[str, ...] = (),
    unit: str | None = None,
) -> int:
    """Write one table.

    Parameters
    ----------
    file : StationFile
        The station.
    what : str
        ``fluxes``, ``closures`` or ``records``.
    out : Path
        Its ending chooses the format: ``.csv``.
    url : str
        Of the database.
    first, stop : int, optional
        Period [µs since 1970], by the closing of the lid; the end excluded.
    gases, chambers : tuple of str
        Only these; empty for all.
    unit : str, optional
        Of fluxes.

    Returns
    -------
    int
        Number of rows.

    Raises
    ------
    CommandError
        The ending, unit, gas, chamber or period is wrong.
    StoreError
        There is no database, or it refuses.
    """
    if out.suffix != ".csv":
        raise CommandError(f"--out {out}: the ending {out.suffix!r} is not known; write .csv")
    if unit is not None and what != "fluxes":
        raise CommandError(f"--unit: applies to fluxes, not to {what}")
    if first is not None and stop is not None and not first < stop:
        raise CommandError("--from: must be earlier than --to")
    selection = tables.Selection(Period.between(first, stop), gases, chambers, unit)
    with closing(open_existing(url)) as store:
        reader = Reader(store, file.station.id)
        if what == "fluxes":
            table = tables.fluxes(file.station, reader, selection)
        elif what == "closures":
            table = tables.closures(file.station, reader, selection)
        else:
            table = tables.records(
                file.station, Journal(store, file.station.id, file.archive), selection
            )
        return write_csv(table, out)
