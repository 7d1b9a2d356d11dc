"""The rows of a query as Arrow columns."""

from itertools import chain
from typing import Any, Final

import pyarrow as pa
from pyarrow import csv
from sqlalchemy import BigInteger, Connection, Double, Integer, Select

_TYPES: Final = ((BigInteger, pa.int64()), (Integer, pa.int64()), (Double, pa.float64()))
_TOGETHER: Final = 10_000
"""Rows that are held as Python objects at once."""


def schema_of(query: Select[Any]) -> pa.Schema:
    """What the rows of a query are in Arrow."""
    return pa.schema(
        (c.name, next((known for kind, known in _TYPES if isinstance(c.type, kind)), pa.string()))
        for c in query.selected_columns
    )


def arrow_rows(connection: Connection, query: Select[Any]) -> pa.Table:
    """All rows of a query.

    SQLite gives its rows as tuples. (A driver with a SQLite of its own would give columns, but
    two copies of that library in one process end each other's locks.) PostgreSQL writes them as
    delimited text, which Arrow reads faster than Python could make objects of them.
    """
    schema = schema_of(query)
    if connection.dialect.name == "postgresql":
        return _copied(connection, query, schema)
    result = connection.execute(query)
    batches = []
    while rows := result.cursor.fetchmany(_TOGETHER):
        cells = zip(zip(*rows, strict=True), schema, strict=True)
        batches.append(pa.record_batch([pa.array(c, f.type) for c, f in cells], schema=schema))
    result.close()
    return pa.Table.from_batches(batches, schema)


def _copied(connection: Connection, query: Select[Any], schema: pa.Schema) -> pa.Table:
    """Of PostgreSQL: an unknown text is nothing at all, an empty one a pair of quotes."""
    plain = query.compile(connection, compile_kwargs={"literal_binds": True})
    driver = connection.connection.driver_connection
    assert driver is not None
    with driver.cursor() as cursor, cursor.copy(f"COPY ({plain}) TO STDOUT (FORMAT csv)") as out:
        text = b"".join(chain(out))
    if not text:
        return schema.empty_table()
    return csv.read_csv(
        pa.BufferReader(text),
        csv.ReadOptions(column_names=schema.names),
        csv.ParseOptions(newlines_in_values=True),
        csv.ConvertOptions(
            column_types=schema,
            null_values=[""],
            strings_can_be_null=True,
            quoted_strings_can_be_null=False,
        ),
    )
