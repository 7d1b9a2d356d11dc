"""What ``stream`` promises: names, signatures, docstrings, and that importing costs nothing."""

import doctest
import inspect
import re
import subprocess
import sys

import pytest

import stream
from stream.api import arrays

PROMISED = {
    "LidstreamError": None,
    "open_station": "(path: str | Path, database: str | None = None) -> 'Station'",
    "fit": (
        "(seconds, mole_fraction, *, se, model, candidates, dead_band_s, max_duration_s,"
        " volume_m3, area_m2, temperature_c, pressure_pa, water_mol_mol, gas)"
    ),
    "flux": "(slope, volume_m3, area_m2, temperature_c, pressure_pa, *, water_mol_mol, gas, unit)",
    "season": (
        "(fluxes, weather, *, start, end, positions, nitrogen_kg_ha, reference, events, yield_t_ha,"
        " timezone)"
    ),
    "Station": None,
    "Closure": None,
    "FitResult": None,
    "SeasonResult": None,
}
METHODS = {
    "Station": {
        "chambers": None,
        "channels": None,
        "config": None,
        "gases": None,
        "id": None,
        "settings": None,
        "close": "()",
        "closure": "(chamber, when)",
        "closures": "(*, start, stop, chamber, quality, as_)",
        "daily": "(gas, *, start, stop, chamber, unit, as_)",
        "field": "(gas, *, start, stop, unit, as_)",
        "fluxes": "(gas, *, start, stop, chamber, quality, unit, as_)",
        "gaps": "(*, start, stop, chamber, as_)",
        "hourly": "(gas, *, start, stop, chamber, unit, as_)",
        "notes": "(*, start, stop, chamber, as_)",
        "records": "(channel, *, start, stop, as_)",
        "refit": "(start, stop, *, gas, chamber, unit, as_)",
        "refused": "(*, as_)",
        "season": "(gas, *, start, stop, as_)",
        "vials": "(gas, *, start, stop, chamber, as_)",
        "with_settings": "(**settings)",
    },
    "Closure": {
        "chamber": None,
        "closed_at": None,
        "conditions": None,
        "fits": None,
        "flags": None,
        "fluxes": None,
        "gases": None,
        "notes": None,
        "opened_at": None,
        "quality": None,
        "revision": None,
        "revisions": None,
        "window": None,
        "fit": "(gas, **settings)",
        "plot": "(gas, ax)",
        "samples": "(gas)",
    },
    "FitResult": {
        "bse": None,
        "df_model": None,
        "df_resid": None,
        "fittedvalues": None,
        "nobs": None,
        "params": None,
        "resid": None,
        "stored": None,
        "compare": "()",
        "conf_int": "(alpha)",
        "flux_conf_int": "(alpha)",
        "flux_in": "(unit)",
        "plot": "(ax)",
        "predict": "(seconds)",
        "summary": "()",
    },
}
FIELDS = {
    *("aicc", "detection_limit", "flags", "flux", "flux_se", "gas", "known_variance", "left_out"),
    *("model", "models", "mole_fraction", "quality", "reason", "rsquared", "seconds", "settings"),
    *("ssr", "title", "weights", "values", "errors"),
}


def shape(call: object) -> str:
    """Names of the parameters, with where keywords begin."""
    parts = []
    for name, p in inspect.signature(call).parameters.items():  # type: ignore[arg-type]
        if name == "self":
            continue
        if p.kind is p.KEYWORD_ONLY and not any("*" in part for part in parts):
            parts.append("*")
        parts.append(f"**{name}" if p.kind is p.VAR_KEYWORD else name)
    return f"({', '.join(parts)})"


def test_the_names_are_those_that_were_promised() -> None:
    assert set(stream.__all__) == set(PROMISED)
    assert set(dir(stream)) == {*PROMISED, "__version__"}
    assert shape(stream.open_station) == "(path, database)"
    assert shape(stream.fit) == PROMISED["fit"]
    assert shape(stream.flux) == PROMISED["flux"]
    assert shape(stream.season) == PROMISED["season"]
    with pytest.raises(AttributeError, match="no attribute 'fluxx'"):
        _ = stream.fluxx


@pytest.mark.parametrize("name", METHODS)
def test_methods_and_properties_are_those_that_were_promised(name: str) -> None:
    kind = getattr(stream, name)
    public = {n: getattr(kind, n) for n in dir(kind) if not n.startswith("_")}
    fields = FIELDS if name == "FitResult" else set()
    found = {n: shape(m) if callable(m) else None for n, m in public.items() if n not in fields}
    assert found == METHODS[name]
    for n, m in public.items():
        if n not in fields:
            assert inspect.getdoc(m), n


def test_every_field_of_a_fit_is_explained() -> None:
    told = stream.FitResult.__doc__ or ""
    internal = {"values", "errors", "gas"}
    assert set(stream.FitResult.__dataclass_fields__) == FIELDS
    for name in FIELDS - internal:
        assert re.search(rf"\b{name}\b", told), name


def test_a_season_says_units_errors_and_source() -> None:
    text = inspect.getdoc(stream.season) or ""
    for part in ("Parameters\n---", "Returns\n---", "Raises\n---", "[mm]", "[°C]", "METHODS.md"):
        assert part in text, part
    for frame in ("plots", "treatments", "factors"):
        assert frame in (stream.SeasonResult.__doc__ or "")


@pytest.mark.parametrize("name", ["fit", "flux", "open_station"])
def test_docstrings_say_shapes_units_errors_and_source(name: str) -> None:
    text = inspect.getdoc(getattr(stream, name)) or ""
    for part in ("Parameters", "Returns", "Raises"):
        assert f"{part}\n---" in text, part
    if name != "open_station":
        for part in ("shape (n,)", "[nmol mol⁻¹", "METHODS.md", "Examples\n---"):
            assert part in text, part


def test_examples_in_docstrings_are_true() -> None:
    tried = doctest.testmod(arrays)
    assert tried.failed == 0
    assert tried.attempted >= 9


def loaded(program: str) -> set[str]:
    """Modules that a program has loaded at its end."""
    said = subprocess.run(
        [sys.executable, "-c", f"{program}\nimport sys\nprint(*sys.modules)"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return set(said.stdout.split())


HEAVY = {"sklearn", "statsmodels", "matplotlib", "scipy.stats", "pandas", "xarray"}


def test_importing_loads_nothing_heavy() -> None:
    """Neither general libraries nor any module of ours; see ``tests/bench/door.py`` for seconds."""
    found = loaded("import stream")
    assert not found & {*HEAVY, "numpy", "scipy", "numba", "sqlalchemy", "pydantic", "pyarrow"}
    assert {m for m in found if m.startswith("stream.")} == set()


def test_opening_a_station_loads_no_statistics() -> None:
    found = loaded("import stream; stream.open_station, stream.fit, stream.Closure")
    assert not found & HEAVY
