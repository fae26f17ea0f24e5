"""What docstrings must say: every parameter with its type and unit, every array with its shape, every equation with its source.

Public is what bears no underscore, listed or not. Four parameters or more ask for a section of their own; a function with fewer says it in words.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "camcalc"
MANY = 4
# Where physics is computed: an equation there names its source.
PHYSICS = ("burn", "cam", "cycle", "drive", "engine", "sound", "vehicle")
SECTION = r"^{}\n-+\n(.*?)(?=^[A-Z][A-Za-z ]+\n-+$|\Z)"
NUMBERS = re.compile(r"\b(float|array|ndarray|quantity|sequence of float|list of float|tuple of (two |three )?floats?)\b")
UNIT_WORDS = r"shares?|ratios?|factor|lambda|relative|times|over|count|counted|ticks|coefficients?|gamma|fractions?|exponent|units?"
UNIT = re.compile(rf"\[[^\]]+\]|\b({UNIT_WORDS}|number of|as given)\b|0 to 1", re.IGNORECASE)
SHAPE = re.compile(r"\b(shape|rows?|columns?|each|cells?|1-D|\d numbers|by|grid|along|same|one for|any)\b|\((n|m|k|\w+),", re.IGNORECASE)
ELSEWHERE = re.compile(r"\b[Aa]s (for|in) ``\w+``")
EQUATION = re.compile(r"``[^`]*(=|\bexp\b|\bsqrt\b| [*/+^-] |\^|\*\*)[^`]*``")
SOURCE = re.compile(r"\b(read|from memory|computed|common practice|ESTIMATE|exact|derived|textbook|published|definition|geometry)\b|\b(19|20)\d\d\b")


class Written(NamedTuple):
    """A public function or method as its source has it."""

    where: str
    package: str
    parameters: tuple[str, ...]
    doc: str
    checked: bool
    module_doc: str

    def section(self, name: str) -> str:
        """Return a section of the docstring; nothing where there is none."""
        found = re.search(SECTION.format(name), self.doc, re.MULTILINE | re.DOTALL)
        return found[1] if found else ""

    def entries(self) -> dict[str, str]:
        """Return what the Parameters section says, by name; names that share an entry have the same."""
        found: dict[str, str] = {}
        names: list[str] = []
        for line in self.section("Parameters").splitlines():
            if line and not line.startswith(" "):
                head = line.partition(" : ")[0]
                names = [name.strip().lstrip("*") for name in head.split(",")]
                found |= dict.fromkeys(names, line)
            else:
                for name in names:
                    found[name] += f" {line.strip()}"
        return found

    def kinds(self) -> dict[str, str]:
        """Return the types that the Parameters section gives, by name."""
        heads = [line for line in self.section("Parameters").splitlines() if line and not line.startswith(" ")]
        return {name.strip().lstrip("*"): head.partition(" : ")[2] for head in heads for name in head.partition(" : ")[0].split(",")}


def functions() -> Iterator[Written]:
    """Yield every public function and method of the package."""
    for path in sorted(PACKAGE.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        inside = path.relative_to(PACKAGE)
        yield from written(tree, tree.body, str(inside), inside.parts[0].removesuffix(".py"))


def written(tree: ast.Module, body: list[ast.stmt], where: str, package: str) -> Iterator[Written]:
    for node in body:
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            yield from written(tree, node.body, f"{where}:{node.name}", package)
        if not isinstance(node, ast.FunctionDef) or node.name.startswith("_"):
            continue
        called = [d.func if isinstance(d, ast.Call) else d for d in node.decorator_list]
        decorators = {d.id if isinstance(d, ast.Name) else getattr(d, "attr", "") for d in called}
        if "overload" in decorators or "setter" in decorators:
            continue
        own = node.args
        plain = [a.arg for a in (*own.posonlyargs, *own.args, *own.kwonlyargs) if a.arg not in ("self", "cls")]
        names = (*plain, *(a.arg for a in (own.vararg, own.kwarg) if a is not None))
        yield Written(f"{where}:{node.name}", package, names, ast.get_docstring(node) or "", "checked" in decorators, ast.get_docstring(tree) or "")


ALL = list(functions())
MANY_PARAMETERS = [f for f in ALL if len(f.parameters) >= MANY]


def test_there_are_many_to_read() -> None:
    assert len(ALL) > 700
    assert len(MANY_PARAMETERS) > 150


@pytest.mark.parametrize("function", MANY_PARAMETERS, ids=lambda f: f.where)
def test_each_parameter_of_a_function_with_many_is_named_with_its_type(function: Written) -> None:
    entries = function.entries()
    assert [name for name in function.parameters if name not in entries] == []
    # What takes all further names says in words what they may be, and what another function explains names that.
    assert [name for name, text in entries.items() if " : " not in text and not text.startswith("*") and not ELSEWHERE.search(text)] == []
    assert [name for name in entries if name not in function.parameters] == []


@pytest.mark.parametrize("function", MANY_PARAMETERS, ids=lambda f: f.where)
def test_each_number_among_them_has_its_unit_and_each_array_its_shape(function: Written) -> None:
    numbers = {name: text for name, text in function.entries().items() if NUMBERS.search(function.kinds()[name])}
    assert [name for name, text in numbers.items() if "of bool" not in text and not UNIT.search(f"{name.replace(chr(95), chr(32))} {text}")] == []
    arrays = {name: text for name, text in numbers.items() if re.search(r"\b(nd)?array\b", function.kinds()[name])}
    assert [name for name, text in arrays.items() if not SHAPE.search(text)] == []


def has_equation(function: Written) -> bool:
    return bool(EQUATION.search(function.section("Notes")))


SOURCED = [f for f in ALL if f.checked or (f.package in PHYSICS and has_equation(f))]


def test_equations_are_found() -> None:
    assert len(SOURCED) > 20


@pytest.mark.parametrize("function", SOURCED, ids=lambda f: f.where)
def test_an_equation_and_a_checked_formula_say_where_they_are_from(function: Written) -> None:
    assert function.section("References") or SOURCE.search(function.section("Notes")) or SOURCE.search(function.doc)
