"""State and unknowns have names, kinds of intake and exhaust too; kernels take few arguments."""

from __future__ import annotations

import ast
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from camcalc import Build, ResolvedEngine
from camcalc.cycle.layout import INDEX, STATES, SUMS, TOTAL, ExhaustKind, IntakeKind, State, Sum, Unknown
from camcalc.cycle.plain_cycle import at_closing

CYCLE = Path(__file__).resolve().parents[2] / "camcalc" / "cycle"
# What holds a state or unknowns, by the names the cycle's modules give them.
VECTORS = ("y", "y0", "z", "new", "end", "kept", "unknowns", "states", "trial", "dy", "at_stops", "state", "least")
MOST_ARGUMENTS = 11


def is_number(node: ast.expr | None) -> bool:
    """Whether an index is a bare number above zero, or a list or a slice of such; the first or the last (0, :1, -1) needs no name."""
    if isinstance(node, ast.Constant):
        return isinstance(node.value, int) and node.value > 0
    if isinstance(node, ast.List):
        return any(isinstance(part, ast.Constant) for part in node.elts)
    if isinstance(node, ast.Slice):
        return is_number(node.lower) or (is_number(node.upper) and ast.unparse(node) != ":1")
    if isinstance(node, ast.Tuple):
        return is_number(node.elts[-1])
    return False


def bare_indices(source: str) -> list[str]:
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Subscript):
            of = node.value.attr if isinstance(node.value, ast.Attribute) else node.value.id if isinstance(node.value, ast.Name) else ""
            if of in VECTORS and is_number(node.slice):
                found.append(ast.unparse(node))
    return found


@pytest.mark.parametrize("path", sorted(CYCLE.glob("*.py")), ids=lambda path: path.stem)
def test_no_state_and_no_unknown_is_reached_by_a_bare_number(path: Path) -> None:
    assert bare_indices(path.read_text(encoding="utf-8")) == []


def test_a_bare_number_is_noticed() -> None:
    assert bare_indices("z[14]; y[9:12]; z[[0, 3, 14]]; kept[:, 2]; least[i]; end[State.PORT_FRACTION]; at_stops[-1]") == [
        "z[14]", "y[9:12]", "z[[0, 3, 14]]", "kept[:, 2]",
    ]  # fmt: skip


@pytest.mark.parametrize("path", sorted(CYCLE.glob("*.py")), ids=lambda path: path.stem)
def test_kernels_take_few_arguments(path: Path) -> None:
    compiled = [
        node
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef) and any("compiled" in ast.unparse(mark) for mark in node.decorator_list)
    ]
    assert {node.name: len(node.args.args) for node in compiled if len(node.args.args) > MOST_ARGUMENTS} == {}


def test_sums_follow_the_state_without_a_gap() -> None:
    assert [*State, *Sum] == list(range(TOTAL))
    assert list(Unknown) == list(range(len(Unknown)))
    assert (len(State), len(State) + len(SUMS)) == (STATES, TOTAL)
    assert {name: STATES + k for k, name in enumerate(SUMS)} == INDEX


@pytest.mark.parametrize("kind", IntakeKind)
def test_each_intake_model_has_its_kinds(build_of: Callable[..., Build], kind: IntakeKind) -> None:
    setup = ResolvedEngine(build_of("quarry-road"), intake_model=kind.name.lower()).setup
    limiting = kind in (IntakeKind.LOST, IntakeKind.HELD)
    assert setup.intake == kind
    assert setup.exhaust == (ExhaustKind.RESERVOIR if limiting else ExhaustKind.PORT)
    assert setup.has_runner is not limiting


@pytest.mark.parametrize("kind", [IntakeKind.PLENUM, IntakeKind.RIPPLING])
def test_a_cycle_begins_with_the_unknowns_it_is_given(build_of: Callable[..., Build], kind: IntakeKind) -> None:
    engine = ResolvedEngine(build_of("quarry-road", old=True), intake_model=kind.name.lower())
    marching, z = engine.marching(2000.0 / 60.0, 60e3, 30.0), engine.guess(60e3)
    y = marching._begun(z, marching.setup)
    through = slice(Unknown.CYLINDER_MASS, Unknown.PORT_FRACTION + 1)
    assert at_closing(y) == pytest.approx(z[through], rel=1e-15)
    assert y[State.CYLINDER_BURNED] == z[Unknown.CYLINDER_FRACTION] * z[Unknown.CYLINDER_MASS]
    assert np.all(y[STATES:] == 0.0)
    assert (y[State.PLENUM_MASS] > 0.0) == (kind is IntakeKind.RIPPLING)
