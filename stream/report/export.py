"""The verb ``export``: a table from the database into a file."""

from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Final

from stream.errors import CommandError
from stream.report.formats.csv_file import write_csv, write_descriptor
from stream.report.formats.netcdf_file import write_netcdf
from stream.report.formats.parquet_file import write_parquet
from stream.report.table import Selection, Table
from stream.report.tables import table_by_name
from stream.station import StationFile
from stream.store import open_existing
from stream.store.results.readers import Period
from stream.store.station_data import StationData

FORMATS: Final[dict[str, Callable[[Table, Path], int]]] = {
    ".csv": write_csv,
    ".parquet": write_parquet,
    ".nc": write_netcdf,
}
"""Ending of a path → how it is written."""


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
    frequency: str = "native",
) -> int:
    """Write one table.

    Parameters
    ----------
    file : StationFile
        The station.
    what : str
        ``fluxes``, ``closures``, ``records``, ``daily``, ``field``, ``season`` or
        ``refused``.
    out : Path
        Its ending chooses the format: ``.csv`` (with a descriptor beside it), ``.parquet``
        or ``.nc``.
    url : str
        Of the database.
    first, stop : int, optional
        Period [µs since 1970], by the closing of the lid; the end excluded.
    gases, chambers : tuple of str
        Only these; empty for all.
    unit : str, optional
        Of fluxes.
    frequency : str
        Of fluxes: ``native``, one row a closure; ``hourly`` or ``daily``, means over even
        steps.

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
    write = FORMATS.get(out.suffix)
    if write is None:
        raise CommandError(
            f"--out {out}: the ending {out.suffix!r} is not known; write {', '.join(FORMATS)}"
        )
    if unit is not None and what != "fluxes":
        raise CommandError(f"--unit: applies to fluxes, not to {what}")
    if frequency != "native" and what != "fluxes":
        raise CommandError(f"--frequency: applies to fluxes, not to {what}")
    if frequency != "native" and unit is not None:
        raise CommandError("--unit: applies to native fluxes; convert the means afterwards")
    what = {"hourly": "hourly", "daily": "daily"}.get(frequency, what)
    if first is not None and stop is not None and not first < stop:
        raise CommandError("--from: must be earlier than --to")
    if what == "refused" and (first is not None or stop is not None or gases or chambers):
        raise CommandError("--from, --to, --gas, --chamber: refused lines are exported whole")
    selection = Selection(Period.between(first, stop), gases, chambers, unit)
    with closing(open_existing(url)) as store:
        table = table_by_name(StationData.over(file, store), what, selection, first, stop)
        count = write(table, out)
    if out.suffix == ".csv":
        write_descriptor(table.columns, out, count, file.station.id)
    return count
