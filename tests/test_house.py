"""The house: who may import whom, what stands where, how long a module is."""

import ast
import importlib.util
import re
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "stream"


def table_of_rooms() -> dict[str, set[str]]:
    """Room → rooms that it may import besides itself, as DEVELOPERS.md has them, in order."""
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(\w+)(?:/|\.py)` \|.*\|([^|]*)\|$", page, re.MULTILINE)
    return {room: set(re.findall(r"`(\w+)`", allowed)) for room, allowed in rows}


MAY_IMPORT = table_of_rooms()

ONLY_IN = {
    "sqlalchemy": {"store"},
    "alembic": {"store"},
    "psycopg": {"store"},
    "numba": {"science"},
    "scipy": {"api", "science", "field", "demo"},
    "pyarrow": {"ingest", "store", "field", "report", "demo"},
    "sklearn": {"field"},
    "threadpoolctl": {"field"},
    "statsmodels": {"field"},
    "fpdf": {"report"},
    "h5netcdf": {"report"},
    "h5py": {"report"},
    "pydantic": {"station"},
    "msgspec": {"ingest", "compute"},
    "paho": {"alerts", "ingest"},
    "filelock": {"store"},
    "apscheduler": {"service"},
    "distributed": {"compute"},
    "structlog": {"service"},
    "prometheus_client": {"service"},
    "tqdm": {"progress"},
    "jinja2": {"manual", "report", "web"},
    "starlette": {"web", "service"},
    "uvicorn": {"web"},
    "matplotlib": {"api", "report"},
}
"""General libraries → the rooms that know them."""

SCIENCE_MAY_USE = {"numpy", "scipy", "numba"}


@cache
def modules() -> tuple[tuple[str, Path, ast.Module], ...]:
    """(room, path, syntax tree) of every module."""
    return tuple(
        (
            path.relative_to(PACKAGE).with_suffix("").parts[0],
            path,
            ast.parse(path.read_text(encoding="utf-8")),
        )
        for path in sorted(PACKAGE.rglob("*.py"))
    )


def imports(tree: ast.Module) -> Iterator[str]:
    """Dotted names that a module imports, at any depth."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            if node.module == "stream":
                yield from (f"stream.{alias.name}" for alias in node.names)
            elif node.module:
                yield node.module


def test_imports_go_one_way() -> None:
    wrong = []
    for room, path, tree in modules():
        for name in imports(tree):
            parts = name.split(".")
            if parts[0] != "stream" or room == "__init__":
                continue
            target = parts[1] if len(parts) > 1 else "__version__"
            if target in {"__version__", room}:
                continue
            if target not in MAY_IMPORT[room]:
                wrong.append(f"{path.relative_to(ROOT)} imports {name}")
    assert wrong == []


def test_libraries_stay_in_their_rooms() -> None:
    wrong = []
    for room, path, tree in modules():
        for name in imports(tree):
            top = name.split(".")[0]
            if top in ONLY_IN and room not in ONLY_IN[top]:
                wrong.append(f"{path.relative_to(ROOT)} imports {name}")
            foreign = top not in sys.stdlib_module_names and top != "stream"
            if room == "science" and foreign and top not in SCIENCE_MAY_USE:
                wrong.append(f"{path.relative_to(ROOT)} imports {name}")
    assert wrong == []


def test_the_table_names_every_room_and_goes_one_way() -> None:
    """Whom a room may import stands above it, so there is no circle of rooms."""
    assert {room for room, _, _ in modules()} - {"__init__"} == set(MAY_IMPORT)
    above: set[str] = set()
    for room, allowed in MAY_IMPORT.items():
        assert allowed <= above, (room, allowed - above)
        above.add(room)


def test_nothing_runs_code_from_outside() -> None:
    """No shell, no pickle, no eval in the package."""
    banned = {"pickle", "marshal", "shelve", "subprocess", "dill"}
    for _, path, tree in modules():
        assert not banned & set(imports(tree)), path
        calls = {
            n.func.id
            for n in ast.walk(tree)
            if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)
        }
        assert not calls & {"eval", "exec", "compile"}, path


def test_top_level() -> None:
    known = {"README.md", "DEVELOPERS.md", "pyproject.toml", "stream", "tests", "configs"}
    found = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    assert found - {"lidstream-demo"} == known | {"sample_streams"}


def test_modules_have_one_idea_and_a_telling_name() -> None:
    for _, path, _ in modules():
        assert path.stem not in {"utils", "util", "helpers", "manager", "core", "common", "misc"}
        assert len(path.read_text(encoding="utf-8").splitlines()) <= 400, path


def test_functions_are_short_or_say_why_not() -> None:
    """At most 60 lines without the docstring; a longer one has ``# Long: …`` above it."""
    long = []
    for _, path, tree in modules():
        lines = path.read_text(encoding="utf-8").splitlines()
        for node in ast.walk(tree):
            if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                continue
            assert node.end_lineno is not None
            length = node.end_lineno - node.lineno + 1
            if ast.get_docstring(node) is not None:
                text = node.body[0]
                assert text.end_lineno is not None
                length -= text.end_lineno - text.lineno + 1
            first = min([node.lineno, *(d.lineno for d in node.decorator_list)])
            why = lines[first - 2].strip() if first > 1 else ""
            if length > 60 and not re.match(r"# Long: \w", why):
                long.append(f"{path.relative_to(ROOT)}: {node.name} has {length} lines")
    assert long == []


def test_public_functions_are_explained() -> None:
    """Every public function, class and module has a docstring; science says shapes and units."""
    silent = []
    for room, path, tree in modules():
        if "migrations" in path.parts:
            continue
        if not ast.get_docstring(tree):
            silent.append(str(path))
        for node in tree.body:
            if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
                text = ast.get_docstring(node)
                if not text:
                    silent.append(f"{path}:{node.name}")
                elif (
                    room == "science" and isinstance(node, ast.FunctionDef) and "Parameters" in text
                ):
                    assert "Returns" in text or "Yields" in text or node.name in QUIET, node.name
    assert silent == []


QUIET = {
    "runs_of",
    "gap_cause",
    "closures_of",
    "port_visits",
    "overlapping",
    "select",
    "last_before",
}
"""Whose first line says what they return."""


@pytest.mark.parametrize("word", ["/work/", "pypi.org", "files.pythonhosted"])
def test_no_word_of_where_it_was_made(word: str) -> None:
    for path in ROOT.rglob("*"):
        if path.suffix in {".py", ".md", ".toml", ".txt"} and ".git" not in path.parts:
            if path == Path(__file__) or any(
                p.startswith(".") for p in path.relative_to(ROOT).parts
            ):
                continue
            assert word not in path.read_text(encoding="utf-8", errors="replace").lower(), path


def test_flags_are_listed_for_people() -> None:
    """The table of configs/README.md is the list of science/quality/flags.py, word for word."""
    from stream.science.quality.flags import FLAGS

    page = (ROOT / "configs" / "README.md").read_text(encoding="utf-8")
    for f in FLAGS.values():
        row = f"| `{f.name}` | {f.quality} | {f.meaning} | {f.found} | {f.remedy} |"
        assert row in page, f.name


def test_the_readme_says_what_becomes_of_mistakes() -> None:
    """Its table and its counts are those of the mistakes that the tests make."""
    spec = importlib.util.spec_from_file_location(
        "mistake_table", ROOT / "tests" / "bench" / "mistake_table.py"
    )
    assert spec is not None
    assert spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    page = (ROOT / "README.md").read_text(encoding="utf-8")
    assert made.table() in page
    assert made.counts() in page


def test_every_key_of_the_station_file_is_explained() -> None:
    from pydantic import BaseModel

    from stream.station import models, sources, telling

    page = (ROOT / "configs" / "README.md").read_text(encoding="utf-8")
    for name, kind in [i for module in (models, sources, telling) for i in vars(module).items()]:
        if (
            isinstance(kind, type)
            and issubclass(kind, BaseModel)
            and kind.__module__ in {m.__name__ for m in (models, sources, telling)}
        ):
            for key, field in kind.model_fields.items():
                if name == "Station":
                    assert f"[{key}" in page or f"`{key}" in page or f"[[{key}" in page, key
                else:
                    word = field.alias or key
                    assert re.search(rf"[`.{{, ]{word}[`, }}=\]]", page), f"{name}.{key}"


def test_the_commented_station_file_is_good() -> None:
    from stream.station import load_station

    assert len(load_station(ROOT / "configs" / "station.toml").station.chambers) == 3


def test_reasons_are_listed_for_people() -> None:
    from stream.science.models.fit import REASON_WORDS

    page = (ROOT / "README.md").read_text(encoding="utf-8")
    assert all(f"`{word}`" in page for word in REASON_WORDS.values())
