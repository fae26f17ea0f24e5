"""Contracts of the whole package, read from its source: layers, imports, docstrings, examples, reference tables."""

from __future__ import annotations

import ast
import csv
import doctest
import importlib
import inspect
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "camcalc"
# Bottom up; a module imports its own layer and those before it. A single module may stand lower than the rest of its part.
LAYERS = (
    (
        "_version",
        "array_record",
        "cautions",
        "codes",
        "compiling",
        "constants",
        "data_reading",
        "drawing",
        "errors",
        "files",
        "marks",
        "pages",
        "plain_text",
        "results",
        "sources",
        "unit_system",
        "units",
    ),
    ("cam", "engine"),
    ("sheet", "examples"),
    ("burn", "vehicle"),
    ("cycle",),
    ("advice",),
    ("tables",),
    ("logs",),
    ("drive",),
    ("cures", "road_test"),
    ("measured",),
    ("brief_parts",),
    ("brief", "brief_files"),
    ("choose", "compare", "practice", "sound", "sweep"),
    ("words",),
    ("explain", "plot"),
    ("report",),
    ("cli",),
)
LAYER = {name: depth for depth, names in enumerate(LAYERS) for name in names}
HEAVY = ("pint", "numpy", "scipy", "matplotlib", "numba", "sympy", "polars", "jinja2", "rich")


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


FILES = {module_name(path): path for path in sorted(PACKAGE.rglob("*.py"))}
MODULES = [name for name in FILES if not name.endswith("__main__")]
BELOW_THE_FRONT_DOOR = [name for name in FILES if name != "camcalc"]
each_module = pytest.mark.parametrize("name", MODULES)


def imports_of(name: str, path: Path) -> set[str]:
    """Every module a file imports, at the top or inside a function, by its whole name."""
    package = name if path.name == "__init__.py" else name.rpartition(".")[0]
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package.split(".")[: len(package.split(".")) - node.level + 1]) if node.level else ""
            whole = ".".join(part for part in (base, node.module) if part)
            found.add(whole)
            found.update(f"{whole}.{alias.name}" for alias in node.names if f"{whole}.{alias.name}" in FILES)
    return found


def layer_of(name: str) -> int | None:
    """The layer of a module, by its own entry or its part's: ``camcalc.cam.lift`` by ``cam.lift`` or ``cam``."""
    inside = name.removeprefix("camcalc.")
    return LAYER.get(inside, LAYER.get(inside.split(".")[0]))


def test_imports_are_found_wherever_they_stand(tmp_path: Path) -> None:
    path = tmp_path / "lift.py"
    path.write_text("import numpy as np\nfrom ..units import parse\nfrom .. import errors\ndef f():\n    from .smoothest import Spline\n", encoding="utf-8")
    assert imports_of("camcalc.cam.lift", path) == {"numpy", "camcalc.units", "camcalc", "camcalc.errors", "camcalc.cam.smoothest"}


@pytest.mark.parametrize("name", BELOW_THE_FRONT_DOOR)
def test_a_module_has_its_place_in_the_order_of_layers(name: str) -> None:
    assert layer_of(name) is not None, f"say in LAYERS where {name} belongs"


@pytest.mark.parametrize("name", BELOW_THE_FRONT_DOOR)
def test_a_lower_layer_imports_no_higher_one(name: str) -> None:
    own = layer_of(name)
    inner = {other: layer_of(other) for other in imports_of(name, FILES[name]) if other.startswith("camcalc.")}
    assert own is not None
    assert {other for other, layer in inner.items() if layer is None or layer > own} == set()


def test_packages_do_not_import_each_other_in_circles() -> None:
    reached: dict[str, set[str]] = {}
    for name in BELOW_THE_FRONT_DOOR:
        own = name.split(".")[1]
        reached.setdefault(own, set()).update(other.split(".")[1] for other in imports_of(name, FILES[name]) if other.startswith("camcalc."))
    # Whatever still has a way out after all that lead nowhere are taken away, over and over, is in a circle or leads into one.
    left = {own: others - {own} for own, others in reached.items()}
    while ends := {own for own, others in left.items() if not others & left.keys()}:
        left = {own: others for own, others in left.items() if own not in ends}
    assert left == {}


@pytest.mark.parametrize("name", BELOW_THE_FRONT_DOOR)
def test_nothing_inside_goes_out_and_in_again_by_the_front_door(name: str) -> None:
    through = {
        node.names[0].name
        for node in ast.walk(ast.parse(FILES[name].read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and node.module == "camcalc"
    }
    assert not through - {"__version__"}


def test_only_the_unit_edge_imports_pint() -> None:
    importers = {name for name, path in FILES.items() if any(other.split(".")[0] == "pint" for other in imports_of(name, path))}
    assert importers == {"camcalc.units"}


def test_only_one_module_imports_numba() -> None:
    importers = {name for name, path in FILES.items() if any(other.split(".")[0] == "numba" for other in imports_of(name, path))}
    assert importers == {"camcalc.compiling"}


def test_all_that_kernels_are_made_from_counts_in_the_key_of_their_code() -> None:
    compiling = importlib.import_module("camcalc.compiling")
    counted = {module_name(path) for path in compiling._sources(PACKAGE)}
    left = [name for name, path in FILES.items() if "camcalc.compiling" in imports_of(name, path)]
    assert len(left) > 8
    reached = set()
    while left:
        name = left.pop()
        if name not in reached:
            reached.add(name)
            left += [other for other in imports_of(name, FILES[name]) if other in FILES and other != "camcalc"]
    assert reached - counted == set()


def test_importing_the_package_loads_nothing_heavy() -> None:
    script = f"import sys, camcalc; print(*[m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-W", "error", "-c", script], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.split() == []


def test_the_front_door_opens_on_every_name_it_lists() -> None:
    camcalc = importlib.import_module("camcalc")
    assert [name for name in camcalc.__all__ if getattr(camcalc, name, None) is None] == []
    assert set(camcalc.__all__) <= set(dir(camcalc))
    with pytest.raises(AttributeError, match="no attribute"):
        _ = camcalc.no_such_name


@each_module
def test_a_module_says_what_it_is_and_lists_only_what_it_has(name: str) -> None:
    module = importlib.import_module(name)
    assert module.__doc__
    assert [item for item in getattr(module, "__all__", []) if getattr(module, item, None) is None] == []


@each_module
def test_every_public_function_class_and_method_has_a_docstring(name: str) -> None:
    module = importlib.import_module(name)
    bare = []
    for item in getattr(module, "__all__", []):
        thing = inspect.unwrap(getattr(module, item))
        if inspect.isclass(thing):
            bare += [f"{item}.{m}" for m, v in vars(thing).items() if not m.startswith("_") and is_written(v) and not inspect.getdoc(v)]
        if (inspect.isclass(thing) or inspect.isroutine(thing)) and thing.__module__.startswith("camcalc") and not thing.__doc__:
            bare.append(item)
    assert bare == []


def is_written(member: object) -> bool:
    """Whether a class member is a method or property that someone wrote."""
    return inspect.isfunction(member) or isinstance(member, property | classmethod | staticmethod)


@each_module
def test_the_examples_in_the_docstrings_run(name: str, at_root: Path) -> None:
    failed, _ = doctest.testmod(importlib.import_module(name), report=True)
    assert failed == 0


@pytest.mark.parametrize(
    ("name", "item"),
    [("engine.valve_flow", "orifice_flow"), ("cam.events", "overlap_of"), ("cam.card", "CamCard.events"), ("units", "parse"), ("sheet.reading", "load_build")],
)
def test_examples_are_found_behind_the_unit_edge_too(name: str, item: str) -> None:
    module = importlib.import_module(f"camcalc.{name}")
    found = {test.name: len(test.examples) for test in doctest.DocTestFinder().find(module)}
    assert found[f"camcalc.{name}.{item}"] > 0


# Reference tables.

TABLES = sorted((ROOT / "tests" / "reference").glob("*.csv"))
MARKS = ("read", "exact", "computed", "from memory", "run")


@pytest.mark.parametrize("path", TABLES, ids=[path.stem for path in TABLES])
def test_every_row_of_a_reference_table_names_value_unit_tolerance_source_and_mark(path: Path) -> None:
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file, strict=True))
    assert rows
    assert len({row["id"] for row in rows}) == len(rows)
    for row in rows:
        assert None not in row, row["id"]
        assert None not in row.values(), row["id"]
        assert float(row["tolerance"]) > 0.0, row["id"]
        assert row["value"], row["id"]
        assert row["unit"], row["id"]
        assert row["source"], row["id"]
        assert row["mark"].startswith(MARKS), row["id"]
        assert "low" not in row["mark"], row["id"]
        assert "medium" not in row["mark"], row["id"]


@pytest.mark.parametrize("path", TABLES, ids=[path.stem for path in TABLES])
def test_every_reference_table_is_read_by_a_test(path: Path) -> None:
    tests = [p.read_text(encoding="utf-8") for p in (ROOT / "tests").rglob("test_*.py")]
    assert any(path.name in text for text in tests)
