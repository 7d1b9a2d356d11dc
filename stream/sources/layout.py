"""How a logger's text file is written, read from its first lines."""

import csv
from dataclasses import dataclass

from stream.errors import SourceError


@dataclass(frozen=True, slots=True)
class Layout:
    """How one file is written."""

    delimiter: str
    decimal: str
    columns: tuple[str, ...]
    time_column: str
    header: bytes
    """The header line as it stands, to know it again."""

    @property
    def time_index(self) -> int:
        """Position of the time column."""
        return self.columns.index(self.time_column)


def find_layout(
    name: str,
    head: bytes,
    time_column: str,
    delimiter: str | None = None,
    decimal: str | None = None,
) -> Layout:
    """Read the layout from the first lines of a file.

    Parameters
    ----------
    name : str
        Of the file, for messages.
    head : bytes
        The first lines, the header complete.
    time_column : str
        Name of the column of times.
    delimiter, decimal : str, optional
        As the station file sets them; found from the header and first data otherwise.

    Raises
    ------
    SourceError
        The file is empty, is not delimited text, or has no column of times.
    """
    head = head.removeprefix(b"\xef\xbb\xbf")
    lines = [line for line in head.splitlines() if line.strip()]
    if not lines:
        raise SourceError(f"{name}: the file is empty; give a file with a header and records")
    try:
        if b"\x00" in lines[0]:
            raise UnicodeDecodeError("utf-8", lines[0], 0, 1, "binary")
        header = lines[0].decode("utf-8")
    except UnicodeDecodeError:
        raise SourceError(
            f"{name}: neither delimited text nor SenML; give a logger's text file"
        ) from None
    if delimiter is None:
        counts = {d: header.count(d) for d in (",", ";", "\t")}
        delimiter = max(counts, key=lambda d: counts[d])
        if counts[delimiter] == 0:
            raise SourceError(
                f"{name}: its first line {header[:60]!r} is no header of delimited columns;"
                " give a logger's text file"
            )
    try:
        columns = tuple(cell.strip() for cell in next(csv.reader([header], delimiter=delimiter)))
    except csv.Error:
        raise SourceError(f"{name}: the quotes of its header do not close") from None
    if time_column not in columns:
        raise SourceError(
            f"{name}: no column {time_column!r} in its header ({_listed(columns)});"
            " correct time_column of the source in the station file"
        )
    for column in columns:
        if column and columns.count(column) > 1:
            raise SourceError(f"{name}: the column {column!r} appears twice in its header")
    if decimal is None:
        decimal = "."
        if delimiter == ";" and any(b"," in line for line in lines[1:]):
            decimal = ","
    return Layout(delimiter, decimal, columns, time_column, lines[0])


def _listed(columns: tuple[str, ...]) -> str:
    shown = ", ".join(columns[:8])
    return f"it has {shown}" + (f" and {len(columns) - 8} more" if len(columns) > 8 else "")
