"""Columns are declared once: what tables, databases and files have is in ``columns.py``."""

import ast
from pathlib import Path

import pytest
from cf_units import Unit

from stream import columns
from stream.column import Column
from stream.science.flux.units import sign
from stream.store import schema

PACKAGE = Path(columns.__file__).parent
BY_KEY = {c.key for c in columns.COLUMNS.values()}
INTERNAL = {
    # Of the database alone: never in a file or on a page under these names.
    *("current", "withdrawn", "due_us", "fit_se_nmol_m2_s", "visit", "port", "started_us"),
    *("ended_us", "value_nmol_mol", "value_se_nmol_mol", "standard_nmol_mol", "start_se"),
    *("slope_se_nmol_mol_s", "curvature", "curvature_se", "rss", "criterion"),
}
RESULTS = ("closures", "fluxes", "model_fits", "visits", "standard_visits", "gaps")
SPELL = {
    PACKAGE / "columns.py",
    PACKAGE / "store" / "schema.py",
    PACKAGE / "manual" / "sheet.py",  # a sheet to be filled in the field
}


@pytest.mark.parametrize("name", RESULTS)
def test_each_stored_number_of_a_result_is_declared(name: str) -> None:
    stored = {c.name for c in schema.metadata.tables[name].columns}
    assert stored - BY_KEY - INTERNAL == set()


def test_nothing_is_called_internal_that_is_not_stored() -> None:
    stored = {c.name for name in RESULTS for c in schema.metadata.tables[name].columns}
    assert stored >= INTERNAL
    assert not INTERNAL & BY_KEY


def test_a_table_of_columns_stands_nowhere_else() -> None:
    """A row of four or more names, as a tuple, list or set, is a table declared again.

    Not in ``demo``, whose files of truth are no results.
    """
    again = []
    for path in PACKAGE.rglob("*.py"):
        if path in SPELL or {"migrations", "demo"} & set(path.parts):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Tuple | ast.List | ast.Set):
                words = {e.value for e in node.elts if isinstance(e, ast.Constant)}
                if len(words & (columns.COLUMNS.keys() | BY_KEY)) >= 4:
                    again.append(f"{path.relative_to(PACKAGE)}:{node.lineno}")
    assert again == []


@pytest.mark.parametrize("column", columns.COLUMNS.values(), ids=columns.COLUMNS)
def test_a_column_says_what_it_is(column: Column) -> None:
    """Units by UDUNITS (cf-units, an independent reader of the CF conventions' units)."""
    assert column.sentence.endswith(".")
    assert column.label
    assert column.label.strip() == column.label
    assert (column.kind == "number") == bool(column.unit)
    if column.unit:
        assert not Unit(column.unit).is_unknown()


@pytest.mark.parametrize(
    "name", ["CLOSURES", "GAPS", "REFUSED", "DAILY", "HOURLY", "FIELD", "SEASON", "NOTES", "VIALS"]
)
def test_tables_are_made_of_declared_columns(name: str) -> None:
    names = getattr(columns, name)
    assert len(set(names)) == len(names)
    assert [c.name for c in columns.columns(names)] == list(names)


def test_fluxes_in_another_unit_say_so_in_name_and_unit() -> None:
    table = columns.fluxes(["linear"], "ug_N_m2_h", "ug N m-2 h-1")
    units = {c.name: c.unit for c in table}
    assert units["flux_ug_N_m2_h"] == units["flux_se_ug_N_m2_h_linear"] == "ug N m-2 h-1"
    assert units["start_mole_fraction"] == "nmol mol-1"
    assert not [name for name in units if "nmol_m2_s" in name]


@pytest.mark.parametrize(
    ("unit", "shown"),
    [
        ("m3 m-3", "m³ m⁻³"),
        ("degree_Celsius", "°C"),
        ("nmol m-2 s-1", "nmol m⁻² s⁻¹"),
        ("1", ""),
        ("Pa", "Pa"),
        ("", ""),
    ],
)
def test_a_unit_as_a_screen_shows_it(unit: str, shown: str) -> None:
    assert sign(unit) == shown
