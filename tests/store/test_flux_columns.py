"""Fluxes as columns: on both databases the cells of plain rows, whatever was asked for."""

from collections.abc import Callable

import pyarrow as pa
import pytest
from small import own_line_stream
from sqlalchemy import text

from stream.compute.replay import Pipeline
from stream.station import StationFile
from stream.store import Store
from stream.store.results.flux_columns import FluxColumns, month_of
from stream.store.results.flux_query import column_name
from stream.store.results.readers import Only, Period
from stream.store.results.settled_months import months_held
from stream.store.schema import closures
from stream.times import DAY

Make = Callable[..., StationFile]
OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]
NAMES = (
    *(("station", ""), ("chamber", ""), ("closed_us", ""), ("gas", ""), ("flags", "")),
    *(("flux_nmol_m2_s", ""), ("quality", ""), ("closure_quality", ""), ("plot", "")),
    *(("soil_temperature_c", ""), ("model", ""), ("points", "")),
    *(("flux_nmol_m2_s", "linear"), ("status", "linear"), ("flux_se_nmol_m2_s", "quadratic")),
    ("flux_nmol_m2_s", "diffusive"),
)

PLAIN = """
SELECT f.station, f.chamber, f.closed_us, f.gas, f.flags, f.flux_nmol_m2_s, f.quality, c.quality,
       c.plot, c.soil_temperature_c, f.model, f.points,
       (SELECT flux_nmol_m2_s FROM model_fits m WHERE m.station = f.station AND
        m.chamber = f.chamber AND m.closed_us = f.closed_us AND m.revision = f.revision AND
        m.gas = f.gas AND m.model = 'linear'),
       (SELECT status FROM model_fits m WHERE m.station = f.station AND
        m.chamber = f.chamber AND m.closed_us = f.closed_us AND m.revision = f.revision AND
        m.gas = f.gas AND m.model = 'linear'),
       (SELECT flux_se_nmol_m2_s FROM model_fits m WHERE m.station = f.station AND
        m.chamber = f.chamber AND m.closed_us = f.closed_us AND m.revision = f.revision AND
        m.gas = f.gas AND m.model = 'quadratic'),
       NULL
FROM fluxes f, closures c
WHERE c.station = f.station AND c.chamber = f.chamber AND c.closed_us = f.closed_us
  AND c.revision = f.revision AND c.current = 1 AND c.withdrawn = 0
ORDER BY f.chamber, f.closed_us, f.gas
"""
"""Written by hand, over the tables that the developers' page promises."""

Cell = str | int | float | None


def cells(tables: list[pa.Table]) -> list[tuple[Cell, ...]]:
    return [tuple(row.values()) for table in tables for row in table.to_pylist()]


@pytest.fixture
def settled(
    make_station: Make, database_url: str, open_parts: OpenParts
) -> tuple[FluxColumns, list[tuple[Cell, ...]]]:
    """Some closures, one with odd text and an unknown number; and all of them as plain rows."""
    file = make_station()
    store, parts = open_parts(file, database_url)
    parts.intake.take(own_line_stream(hours=3.0))
    parts.settlement.settle()
    odd = "UPDATE closures SET plot = :plot, soil_temperature_c = NULL WHERE closed_us ="
    with store.writing() as connection:
        connection.execute(
            text(f"{odd} (SELECT min(closed_us) FROM closures)"),
            {"plot": 'an "odd", plot\nof 3 µm'},
        )
        connection.execute(text("UPDATE closures SET block = ''"))
        plain = [tuple(row) for row in connection.execute(text(PLAIN))]
    return FluxColumns(store, file.station.id, file.archive), plain


def test_columns_are_the_cells_of_rows(
    settled: tuple[FluxColumns, list[tuple[Cell, ...]]],
) -> None:
    columns, plain = settled
    tables = list(columns.read(Period(), Only(), NAMES))
    assert cells(tables) == plain
    assert len(plain) > 3
    assert tables[0].column_names == [column_name(*name) for name in NAMES]
    (blocks,) = {c for t in columns.read(Period(), Only(), (("chamber", ""), ("block", "")))
                 for c in t["block"].to_pylist()}  # fmt: skip
    assert blocks == ""


def test_period_chamber_gas_and_quality_choose(
    settled: tuple[FluxColumns, list[tuple[Cell, ...]]],
) -> None:
    columns, plain = settled
    times = sorted({int(str(row[2])) for row in plain})
    period = Period(times[1], times[-1])
    read = columns.read
    assert cells(list(read(period, Only(), NAMES))) == [
        r for r in plain if times[1] <= int(str(r[2])) < times[-1]
    ]
    for k, only in (
        (1, Only(chambers=("C1",))),
        (3, Only(gases=("N2O",))),
        (6, Only((), (), (1,))),
    ):
        wanted = (only.chambers or only.gases or only.qualities)[0]
        found = cells(list(read(Period(), only, NAMES)))
        assert found == [r for r in plain if r[k] == wanted]
    assert list(read(Period(0, 1), Only(), NAMES)) == []
    assert cells(list(read(Period(), Only(chambers=("C1'; --",)), NAMES))) == []


def test_months_are_those_of_the_calendar() -> None:
    """2024 is a leap year."""
    january, february, march = 1_704_067_200_000_000, 1_706_745_600_000_000, 1_709_251_200_000_000
    assert march - february == 29 * DAY
    for at in (january, january + 5, february - 1):
        assert month_of(at) == Period(january, february)
    assert month_of(february) == month_of(march - 1) == Period(february, march)
    assert month_of(-1) == Period(-31 * DAY, 0)


def test_a_closure_of_another_century_costs_one_month(
    settled: tuple[FluxColumns, list[tuple[Cell, ...]]],
) -> None:
    """A logger's clock was wrong once; whole years of nothing lie between."""
    columns, plain = settled
    far = 4_070_908_800_000_000
    (first,) = {month_of(int(str(row[2]))) for row in plain}
    with columns._store.writing() as connection:
        names = ", ".join(c.name for c in closures.columns if c.name not in {"closed_us"})
        connection.execute(text(
            f"INSERT INTO closures (closed_us, {names}) SELECT closed_us + {far}, {names}"
            " FROM closures WHERE chamber = 'C1' AND revision = 1 LIMIT 1"
        ))  # fmt: skip
        held = list(months_held(connection, "small", Period()))
        assert held == [first, month_of(held[1].first_us)]
        assert held[1].first_us > far
        assert list(months_held(connection, "small", Period(0, first.first_us))) == []
    assert cells(list(columns.read(Period(), Only(), NAMES))) == plain


@pytest.mark.postgres
@pytest.mark.parametrize("told", ["extra_float_digits = 0", "client_encoding = 'LATIN1'"])
def test_what_a_server_was_told_changes_no_cell(
    make_station: Make, postgres_url: str, open_parts: OpenParts, told: str
) -> None:
    file = make_station()
    store, parts = open_parts(file, postgres_url)
    parts.intake.take(own_line_stream(hours=1.0))
    parts.settlement.settle()
    with store.writing() as connection:
        connection.execute(text("UPDATE closures SET plot = 'Düne µ'"))
    columns = FluxColumns(store, file.station.id, file.archive)
    before = cells(list(columns.read(Period(), Only(), NAMES)))
    assert before[0][8] == "Düne µ"
    with store.writing() as connection:
        name = connection.execute(text("SELECT current_database()")).scalar_one()
        connection.execute(text(f'ALTER DATABASE "{name}" SET {told}'))
    store.let_go()
    again, _ = open_parts(file, postgres_url)
    columns = FluxColumns(again, file.station.id, file.archive)
    assert cells(list(columns.read(Period(), Only(), NAMES))) == before
