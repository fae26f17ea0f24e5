"""Findings are codes, never sentences: read from the source of what computes, and from the enumerations themselves."""

from __future__ import annotations

import ast
import dataclasses
import enum
import functools
import importlib
import inspect
from collections.abc import Iterator
from pathlib import Path

import pytest

from camcalc.codes import Code
from camcalc.results import Record

PACKAGE = Path(__file__).resolve().parents[1] / "camcalc"
# Packages that compute; each is named here once its findings are codes.
CODED: tuple[str, ...] = ("advice", "burn", "compare", "cures", "cycle", "drive", "engine", "logs", "practice", "road_test", "sound", "tables", "vehicle")
# Text that a record may hold: names of things, and words of the build sheet that it repeats.
NAMES = (
    "accessories", "alike", "angle_reference", "build", "cam", "cautions", "controller_reference", "engine_lacks", "for_a", "for_b", "gearbox", "input",
    "intake_model", "label", "model", "moved_most_by", "name", "transmission", "unlike",
    # Kinds of load, cells by their speed and load, steps and units as a table or sheet writes them.
    "fuller", "load_kind", "load_step", "named", "places", "road_speed_unit", "table_load", "unit", "where",
    # Of a log: its file, its columns and channels.
    "channel", "channels", "column", "columns", "other", "signals", "source",
)  # fmt: skip
# From so many characters on a text is taken for a sentence.
SENTENCE = 40
# Where sentences belong: errors, and what a declared field says of itself.
ERRORS, DECLARED = ("InputError", "InputErrors", "NoSolutionError"), ("doc", "why")
# What a function that raises names the parts of its error.
PARTS_OF_ERRORS = ("came", "expected", "fix")
# Scales and terms of the glossary: a member's meaning is the term itself.
TERMS = ("SurgeGrade", "Trouble", "WhichTable")


def sources() -> list[Path]:
    return sorted(path for package in CODED for path in (PACKAGE / package).rglob("*.py"))


def text_of(node: ast.AST) -> str:
    """The constant text of a string or an f-string; empty for anything else."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(text_of(part) for part in node.values)
    return ""


def is_prose(text: str) -> bool:
    return len(text.split()) > 2 or any(sign in text for sign in ",;:")


def outside_vocabularies(node: ast.AST) -> Iterator[ast.AST]:
    """Every part of an expression but the words that a vocabulary is made of."""
    if isinstance(node, ast.Call) and ast.unparse(node.func) == "word_set":
        return
    yield node
    for child in ast.iter_child_nodes(node):
        yield from outside_vocabularies(child)


def prose_names(tree: ast.Module) -> set[str]:
    """Module-level names of sentences, of tuples and of mappings of them."""
    found = set()
    for node in tree.body:
        if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
            continue
        if any(is_prose(text_of(part)) for part in outside_vocabularies(node.value)):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            found.update(name.id for target in targets for name in ast.walk(target) if isinstance(name, ast.Name))
    return found


def compared(tree: ast.Module) -> Iterator[ast.expr]:
    """Every side of a comparison, every argument of startswith and endswith, every case that is matched."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare):
            for side in (node.left, *node.comparators):
                yield from side.elts if isinstance(side, ast.Tuple | ast.List | ast.Set) else (side,)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in ("startswith", "endswith", "isin"):
            yield from node.args
        elif isinstance(node, ast.MatchValue):
            yield node.value


def comparisons_with_prose(source: str, known: set[str]) -> list[str]:
    """The comparisons with a text that holds a space, or with a name of a sentence."""
    tree = ast.parse(source)
    names = known | prose_names(tree)
    found = []
    for side in compared(tree):
        inner = side.value if isinstance(side, ast.Subscript) else side
        if " " in text_of(side) or (isinstance(inner, ast.Name) and inner.id in names):
            found.append(f"line {side.lineno}: {ast.unparse(side)}")
    return found


def sentences(source: str) -> list[str]:
    """The sentences of a module outside docstrings, errors, declarations and codes."""
    found: list[str] = []

    def look(node: ast.AST) -> None:
        if isinstance(node, ast.Expr) and text_of(node.value):
            return  # a docstring
        if isinstance(node, ast.ClassDef) and any(isinstance(base, ast.Name) and base.id == "Code" for base in node.bases):
            return
        if isinstance(node, ast.Raise) or (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ERRORS):
            return
        if isinstance(node, ast.ClassDef) and any(isinstance(base, ast.Name) and base.id in ERRORS for base in node.bases):
            return
        if isinstance(node, ast.FunctionDef) and node.returns is not None and "InputError" in ast.unparse(node.returns):
            return  # makes an error
        if isinstance(node, ast.Assign | ast.AugAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            if {name.id for target in targets for name in ast.walk(target) if isinstance(name, ast.Name)} <= set(PARTS_OF_ERRORS):
                return
        if isinstance(node, ast.Call) and ast.unparse(node.func) in ("re.compile", "word_set"):
            return  # what a text looks like; the words of a vocabulary
        if isinstance(node, ast.keyword) and node.arg in DECLARED:
            return
        if len(text_of(node)) >= SENTENCE:
            found.append(f"line {getattr(node, 'lineno', 0)}: {text_of(node)[:60]}")
            return
        for child in ast.iter_child_nodes(node):
            look(child)

    look(ast.parse(source))
    return found


@functools.cache
def known_prose() -> frozenset[str]:
    """Every name of a sentence in what computes."""
    return frozenset(name for path in sources() for name in prose_names(ast.parse(path.read_text(encoding="utf-8"))))


def test_every_package_that_is_named_is_there() -> None:
    assert all(list((PACKAGE / package).glob("*.py")) for package in CODED)


@pytest.mark.parametrize("path", sources(), ids=lambda path: f"{path.parent.name}.{path.stem}")
def test_nothing_is_decided_by_a_sentence(path: Path) -> None:
    assert comparisons_with_prose(path.read_text(encoding="utf-8"), set(known_prose())) == []


@pytest.mark.parametrize("path", sources(), ids=lambda path: f"{path.parent.name}.{path.stem}")
def test_what_computes_holds_no_sentence(path: Path) -> None:
    assert sentences(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "source",
    [
        'x = cell.remark == "no torque here"',
        'shut = "open valve" in window.strategy',
        'if outcome.startswith("dying: "): pass',
        'NO_TORQUE = "no torque here: raise speed, load or gear"\ndead = cell.remark == NO_TORQUE',
        'LIMITS = {"floor": "not cured by spark: the floor"}\nuncured = cell.binds == LIMITS["floor"]',
        'FLATTEN = "level does not decide here: flatten"\nuneven = cell.remark in (FLATTEN,)',
        'AT_IDLE = "within 300 rpm of idle, flat"\nnear = np.isin(remarks, AT_IDLE)',
        'match word:\n    case "too long for either":\n        pass',
    ],
)
def test_a_decision_by_a_sentence_is_noticed(source: str) -> None:
    assert len(comparisons_with_prose(source, set())) == 1


@pytest.mark.parametrize("source", ["x = a == b", 'x = kind == "driven"', "x = state is State.DEAD", 'MAP = "manifold pressure"\nx = kind == MAP'])
def test_a_decision_by_a_code_or_a_name_is_let_through(source: str) -> None:
    assert comparisons_with_prose(source, set()) == []


def test_a_sentence_is_noticed_but_not_in_docstrings_errors_declarations_and_codes() -> None:
    text = "half a line of words that says what to do next"
    assert len(text) >= SENTENCE
    assert len(sentences(f'x = "{text}"')) == 1
    assert len(sentences(f'x = f"{text[:20]}{{n}}{text[20:]}"')) == 1
    assert sentences(f'def f():\n    """{text}"""\n    raise InputError("x", came="{text}")') == []
    assert sentences(f'x = measure("m", doc="{text}", why="{text}")') == []
    assert sentences(f'class Found(Code):\n    ONE = "{text}"') == []


# The records and enumerations of what computes.

MODULES = [importlib.import_module(f"camcalc.{package}.{path.stem}") for package in CODED for path in sorted((PACKAGE / package).glob("[!_]*.py"))]


def defined(kind: type) -> list[type]:
    found = [(thing, module) for module in MODULES for thing in vars(module).values() if inspect.isclass(thing)]
    return [thing for thing, module in found if issubclass(thing, kind) and thing.__module__ == module.__name__]


def holds_text(annotation: object) -> bool:
    """Whether a field's annotation, as it is written, holds text that is not the key of a mapping."""
    tree = ast.parse(str(annotation), mode="eval")
    pairs = [node for node in ast.walk(tree) if isinstance(node, ast.Subscript) and isinstance(node.slice, ast.Tuple) and "Mapping" in ast.unparse(node.value)]
    keys = {id(node.slice.elts[0]) for node in pairs if isinstance(node.slice, ast.Tuple)}
    return any(isinstance(node, ast.Name) and node.id == "str" and id(node) not in keys for node in ast.walk(tree))


def test_texts_of_a_record_are_seen() -> None:
    assert [holds_text(written) for written in ("str", "tuple[str, ...]", "str | None", "Mapping[str, tuple[str, ...]]")] == [True] * 4
    assert [holds_text(written) for written in ("Measure", "Mapping[str, Marks]", "tuple[CellState, ...]")] == [False] * 3


RECORDS, CODES = defined(Record), defined(Code)


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: record.__name__)
def test_a_record_holds_no_text_but_names(record: type[Record]) -> None:
    assert [field.name for field in dataclasses.fields(record) if holds_text(field.type) and field.name not in NAMES] == []


@pytest.mark.parametrize("code", CODES, ids=lambda code: code.__name__)
def test_every_member_has_a_meaning_of_its_own_in_one_line(code: type[Code]) -> None:
    assert code.__doc__
    members = list(code)
    assert len(members) == len(code.__members__)  # none is another's alias
    for member in members:
        assert isinstance(member, enum.Enum)
        assert len(member.meaning) > 10 or code.__name__ in TERMS
        assert "\n" not in member.meaning
        assert not member.meaning.endswith(".")
        assert code.of(member.code) is member
