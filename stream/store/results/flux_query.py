"""One query for fluxes, their closures and every model's fit of them, and its rows as columns."""

from collections.abc import Sequence
from itertools import chain
from typing import Any, Final

import pyarrow as pa
from pyarrow import csv
from sqlalchemy import BigInteger, Connection, Double, Integer, Select, and_, select

from stream.store.results.readers import Only, Period, of_closure, of_flux, standing
from stream.store.schema import FIT_COLUMNS, closures, fluxes, model_fits

Name = tuple[str, str]
"""A column, and the model whose it is: ``""`` for one of the flux or its closure."""

_PLAIN: Final = {
    **{c.name: c for c in closures.columns},
    "closure_flags": closures.c.flags,
    "closure_quality": closures.c.quality,
    **{c.name: c for c in fluxes.columns},
}
"""Name → the column; what a flux and its closure both have is that of the flux."""


_TYPES: Final = ((BigInteger, pa.int64()), (Integer, pa.int64()), (Double, pa.float64()))
_TOGETHER: Final = 10_000
"""Rows that are held as Python objects at once."""


def column_name(name: str, model: str = "") -> str:
    """What a column is called in an Arrow table of fluxes."""
    return f"{name}_{model}" if model else name


def every_name(models: Sequence[str]) -> list[Name]:
    """All that there is of fluxes by some models."""
    plain = [(name, "") for name in _PLAIN if name not in {"current", "withdrawn"}]
    return [*plain, *((n, m) for m in models for n in FIT_COLUMNS if n not in {"gas", "model"})]


def flux_query(station: str, period: Period, only: Only, names: Sequence[Name]) -> Select[Any]:
    """Fluxes of a period, in order of chamber, time and gas; see :func:`column_name`."""
    c, f = closures, fluxes
    fits = {model: model_fits.alias(f"fit_{model}") for _, model in names if model}
    wanted = [
        (fits[model].c if model else _PLAIN)[name].label(column_name(name, model))
        for name, model in names
    ]
    query = select(*wanted).join_from(c, f, of_closure(f))
    for model, fit in fits.items():
        query = query.outerjoin(fit, and_(of_flux(fit, f), fit.c.model == model))
    chambers = Only(only.chambers).where(c)
    asked = Only((), only.gases, only.qualities).where(f)
    # One gas is in order by itself, and rows need not be sorted within each closure.
    gas = () if len(only.gases) == 1 else (f.c.gas,)
    return query.where(standing(station, period), *chambers, *asked).order_by(
        c.c.chamber, c.c.closed_us, *gas
    )


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
    # Whatever the server was told: Arrow reads UTF-8, and a number must come back to the bit.
    connection.exec_driver_sql("SET LOCAL extra_float_digits = 3")
    asked = f"COPY ({plain}) TO STDOUT (FORMAT csv, ENCODING 'UTF8')"
    with driver.cursor() as cursor, cursor.copy(asked) as out:
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
