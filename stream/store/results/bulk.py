"""Many rows at once: plain tuples into SQLite, binary COPY through a staging table into
PostgreSQL.
"""

from collections.abc import Mapping, Sequence
from operator import itemgetter
from typing import Any, Final, Literal

from sqlalchemy import BigInteger, Connection, Double, Integer, LargeBinary, Table

Clash = Literal["refuse", "keep", "replace"]
"""What happens to a row whose key is there already: it is an error, the stored row
stays, or the new one takes its place."""

COPY_FROM: Final = 50
"""Rows from which COPY pays for its staging table."""


def insert_rows(
    connection: Connection,
    table: Table,
    rows: Sequence[Mapping[str, Any]],
    station: str,
    clash: Clash = "refuse",
) -> int:
    """Insert rows of one table; columns that a row lacks are NULL.

    Parameters
    ----------
    connection : Connection
        In its transaction.
    table : Table
        Where to.
    rows : sequence of mapping
        Column → value; ``station`` need not be given.
    station : str
        For the column of that name.
    clash : str
        See :data:`Clash`.

    Returns
    -------
    int
        Number of rows written.
    """
    if not rows:
        return 0
    columns = [c.name for c in table.columns]
    whole = itemgetter(*columns)
    nothing = dict.fromkeys(columns)
    nothing["station"] = station
    return insert_tuples(
        connection, table, columns, [whole({**nothing, **row}) for row in rows], clash
    )


def insert_tuples(
    connection: Connection,
    table: Table,
    columns: Sequence[str],
    values: list[tuple[Any, ...]],
    clash: Clash = "refuse",
) -> int:
    """Insert rows of one table, one tuple each.

    Parameters
    ----------
    connection : Connection
        In its transaction.
    table : Table
        Where to.
    columns : sequence of str
        What the tuples hold, the station included; other columns are NULL.
    values : list of tuple
        The rows.
    clash : str
        See :data:`Clash`.

    Returns
    -------
    int
        Number of rows written.
    """
    columns = list(columns)
    if not values:
        return 0
    if connection.dialect.name == "sqlite":
        return _execute(connection, table, columns, values, "?", clash)
    # NaN is an unknown number: NULL, which SQLite makes of it by itself.
    values = [tuple(None if v != v else v for v in row) for row in values]
    if len(values) < COPY_FROM:
        return _execute(connection, table, columns, values, "%s", clash)
    return _copy(connection, table, columns, values, clash)


def _execute(
    connection: Connection,
    table: Table,
    columns: list[str],
    values: list[tuple[Any, ...]],
    mark: str,
    clash: Clash,
) -> int:
    """Plain tuples through the driver: 18 times the speed of mapped objects."""
    names, marks = _names(columns), ", ".join([mark] * len(columns))
    text = f'INSERT INTO "{table.name}" ({names}) VALUES ({marks}){_ending(table, clash)}'
    return connection.exec_driver_sql(text, values).rowcount


def _copy(
    connection: Connection,
    table: Table,
    columns: list[str],
    values: list[tuple[Any, ...]],
    clash: Clash,
) -> int:
    stage = f"staged_{table.name}"
    names = _names(columns)
    connection.exec_driver_sql(
        f'CREATE TEMP TABLE IF NOT EXISTS "{stage}" (LIKE "{table.name}") ON COMMIT DELETE ROWS'
    )
    driver = connection.connection.driver_connection
    assert driver is not None
    with driver.cursor() as cursor:
        with cursor.copy(f'COPY "{stage}" ({names}) FROM STDIN (FORMAT BINARY)') as copy:
            copy.set_types([_type(table.c[name].type) for name in columns])
            for row in values:
                copy.write_row(row)
        cursor.execute(
            f'INSERT INTO "{table.name}" ({names}) SELECT {names} FROM "{stage}"'
            f"{_ending(table, clash)}"
        )
        written = int(cursor.rowcount)
        # The same table may be staged again before the commit.
        cursor.execute(f'DELETE FROM "{stage}"')
    return written


def _names(columns: list[str]) -> str:
    return ", ".join(f'"{c}"' for c in columns)


def _ending(table: Table, clash: Clash) -> str:
    if clash == "refuse":
        return ""
    if clash == "keep":
        return " ON CONFLICT DO NOTHING"
    key = [c.name for c in table.primary_key.columns]
    others = [c.name for c in table.columns if c.name not in key]
    changes = ", ".join(f'"{c}" = excluded."{c}"' for c in others)
    return f" ON CONFLICT ({_names(key)}) DO UPDATE SET {changes}"


def _type(kind: Any) -> str:
    if isinstance(kind, BigInteger):
        return "int8"
    if isinstance(kind, Integer):
        return "int4"
    if isinstance(kind, Double):
        return "float8"
    return "bytea" if isinstance(kind, LargeBinary) else "text"
