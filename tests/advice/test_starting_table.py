"""The first table for the low-speed zone: its rules on tables drawn at random, an independent solver beside it, and the resolved engines."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, reject, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from camcalc import NoSolutionError, read_build
from camcalc.advice.idle import idle_state
from camcalc.advice.knock_edge import KnockEdge, knock_edge, knock_grid
from camcalc.advice.spark import spark_ceilings, usual_pressures
from camcalc.advice.starting_table import STEEPEST, Cells, Slopes, StartingTable, largest_table, starting_table
from camcalc.cycle.best_torque import LATEST
from camcalc.cycle.models import MODELS
from camcalc.cycle.operating import barometer
from camcalc.tables.proposed import proposed_table
from tests.oracles.coarse_engine import CoarseEngine

Make = Callable[..., Any]
ROOT = Path(__file__).resolve().parents[2]


@st.composite
def tables(draw: st.DrawFn) -> Cells:
    """Bounds, wandering cells, idle cells and steps at random."""
    rows, columns = draw(st.integers(1, 5)), draw(st.integers(1, 6))
    shape = (rows, columns)
    most = draw(st.lists(st.integers(0, 60), min_size=rows * columns, max_size=rows * columns))
    wanders = draw(st.lists(st.booleans(), min_size=rows * columns, max_size=rows * columns))
    idle = np.zeros(shape, dtype=bool)
    idle[: draw(st.integers(0, rows)), : draw(st.integers(0, columns))] = True
    load, speed = draw(st.integers(1, 8)), draw(st.integers(1, 8))
    return Cells(
        np.array(most, dtype=float).reshape(shape),
        np.array(wanders).reshape(shape) | idle,
        idle,
        np.full((rows - 1, columns), float(load)),
        np.full((rows, columns - 1), float(speed)),
    )


def rules(cells: Cells) -> list[tuple[tuple[int, int], tuple[int, int], float]]:
    """Every rule between two cells as ``first - second <= limit``, written down again from the words of the docstring."""
    most, w = cells.most, cells.wanders
    found = []
    rows, columns = most.shape
    for row, column in np.ndindex(rows, columns):
        found += [((fuller, column), (row, column), 0.0) for fuller in range(row + 1, rows)]
        if row + 1 < rows:
            own, step = abs(most[row, column] - most[row + 1, column]), cells.along_load[row, column]
            found.append(((row, column), (row + 1, column), step if w[row, column] and w[row + 1, column] else max(step, own)))
        if column + 1 < columns:
            own, step = abs(most[row, column] - most[row, column + 1]), cells.along_speed[row, column]
            step = step if w[row, column] or w[row, column + 1] else max(step, own)
            found.append(((row, column), (row, column + 1), step))
            both = cells.idle[row, column] and cells.idle[row, column + 1]
            found.append(((row, column + 1), (row, column), 0.0 if both else step))
    return found


@given(cells=tables())
def test_the_largest_table_is_that_of_an_independent_linear_programme(cells: Cells) -> None:
    ties, table = rules(cells), largest_table(cells)
    index = np.arange(table.size).reshape(table.shape)
    a = np.zeros((len(ties), table.size))
    for k, (first, second, _) in enumerate(ties):
        a[k, index[first]] += 1.0
        a[k, index[second]] -= 1.0
    free = {"A_ub": a, "b_ub": [limit for *_, limit in ties]} if ties else {}
    solved = linprog(-np.ones(table.size), bounds=[(None, top) for top in cells.most.ravel()], method="highs", **free)
    assert solved.success
    assert table.ravel() == pytest.approx(solved.x, abs=1e-7)


@given(cells=tables())
def test_spark_never_rises_with_load_and_the_table_is_whole_where_its_bounds_are(cells: Cells) -> None:
    table = largest_table(cells)
    assert (np.diff(table, axis=0) <= 0.0).all()
    assert np.array_equal(table, np.floor(table))
    # Nothing is below the least of all bounds, so nothing falls under the least spark that the bounds keep.
    assert table.min() >= cells.most.min()


@pytest.fixture(scope="module", params=["quarry-road", "dockside", "long-meadow"])
def grid(request: pytest.FixtureRequest, ceilings_of: Make, resolved_of: Make) -> tuple[Any, Any, Any]:
    """Ceilings, idles and sheet of each example, resolved."""
    name = str(request.param)
    engine = resolved_of(name)
    build = engine.build
    drives = (False, True) if build.vehicle.transmission == "converter" else (False,)
    return ceilings_of(name), tuple(idle_state(engine, drive=d) for d in drives), build


def check(found: StartingTable, ceilings: Any, edge: KnockEdge, idles: Any, build: Any, *, steps: tuple[float, float] = (STEEPEST, STEEPEST)) -> None:
    """Every rule of a starting table, from the outside."""
    si, margin = found.si, build.limits.si.spark_margin
    table, there = si.spark, np.isfinite(si.spark)
    # None above the low edge of its knock band less the margin.
    assert (table <= edge.low - margin)[there].all()
    # None above its ceiling.
    limited = there & np.isfinite(ceilings.si.ceiling)
    assert (table <= ceilings.si.ceiling)[limited].all()
    # Nor above what any limit asks for; a cell that spark alone cannot fix asks for nothing of its own, it has the next fuller load's.
    helped = limited & ceilings.cured & (ceilings.si.least_limit > LATEST)
    assert np.isnan(si.asked[np.isfinite(ceilings.si.ceiling) & ~ceilings.cured]).all()
    assert (table <= np.maximum(ceilings.si.least_limit - margin, si.least_spark))[helped].all()
    # The cautious side counts as far as the floor.
    cautious = np.maximum(ceilings.si.least_limit_low - margin, ceilings.si.floor)
    assert (table <= np.maximum(cautious, si.least_spark))[there & np.isfinite(cautious) & (ceilings.si.least_limit > LATEST)].all()
    # Never rising with load, whatever lies between.
    for column in table.T:
        assert (np.diff(column[np.isfinite(column)]) <= 0.0).all()
    # None below the least spark, and blank exactly where knock asks for less.
    assert (table >= si.least_spark)[there].all()
    assert np.array_equal(~there, found.avoid)
    dead = np.isnan(si.asked)
    assert (np.floor(si.asked[found.avoid & ~dead]) < si.least_spark).all()
    # Level where the zone's charge and the idle wander.
    w = found.wanders
    load, speed = np.abs(np.diff(table, axis=0)), np.abs(np.diff(table, axis=1))
    assert (load[w[1:] & w[:-1] & there[1:] & there[:-1]] <= steps[0]).all()
    assert (speed[(w[:, 1:] | w[:, :-1]) & there[:, 1:] & there[:, :-1]] <= steps[1]).all()
    assert w[np.isfinite(ceilings.si.ceiling)].all()
    # Where the engine idles no more than the idle's own spark, to the degree.
    for state in idles:
        row = int(np.argmin(np.abs(ceilings.si.manifold_pressure - state.si.manifold_pressure)))
        column = int(np.argmin(np.abs(ceilings.si.speed - state.si.speed)))
        assert w[row, column]
        assert not table[row, column] > state.si.spark


def test_the_examples_tables_keep_every_rule_without_bands(grid: tuple[Any, Any, Any]) -> None:
    ceilings, idles, build = grid
    edge = knock_edge(ceilings)
    assert not edge.sampled
    check(starting_table(ceilings, edge, idles, build), ceilings, edge, idles, build)


def test_the_examples_tables_keep_every_rule_with_a_sampled_band(grid: tuple[Any, Any, Any]) -> None:
    ceilings, idles, build = grid
    edge = KnockEdge(np.where(np.isfinite(ceilings.si.knock), ceilings.si.knock - 3.0, np.inf), True)
    check(starting_table(ceilings, edge, idles, build), ceilings, edge, idles, build)


def test_slopes_that_gears_stand_raise_cells_towards_their_floor_and_nothing_else(grid: tuple[Any, Any, Any]) -> None:
    ceilings, idles, build = grid
    edge = KnockEdge(np.where(np.isfinite(ceilings.si.knock), ceilings.si.knock - 3.0, np.inf), True)
    level = starting_table(ceilings, edge, idles, build)
    found = starting_table(ceilings, edge, idles, build, Slopes(along_speed=2.5, along_pressure=8e-4))
    spacing = np.max(np.diff(ceilings.si.manifold_pressure)), np.max(np.diff(ceilings.si.speed))
    check(found, ceilings, edge, idles, build, steps=(8e-4 * spacing[0], 2.5 * spacing[1]))
    more = np.nan_to_num(found.si.spark - level.si.spark)
    assert (more >= 0.0).all()
    assert (found.si.spark <= np.ceil(ceilings.si.floor))[more > 0.0].all()
    assert found.below_floor.sum() <= level.below_floor.sum()
    # What is raised stands no further above its faster neighbour than the level table did: no saw along speed.
    fell, falls = (np.nan_to_num(np.maximum(-np.diff(t.si.spark, axis=1), 0.0)) for t in (level, found))
    assert (falls <= fell + 1e-9).all()


SHEETS = {"bore": (80.0, 105.0), "stroke": (75.0, 100.0), "ratio": (8.5, 11.5), "separation": (106.0, 118.0), "idle": (800.0, 1100.0)}


# Fewer builds and a coarser grid than the default: each cell asks for a dozen chains of cycles, and the rules are searched wider above, on tables alone.
@settings(max_examples=20)
@given(**{name: st.floats(*ends) for name, ends in SHEETS.items()})
def test_builds_drawn_at_random_keep_every_rule(bore: float, stroke: float, ratio: float, separation: float, idle: float) -> None:
    """On the tests' own engine, whose knock is made up: the rules hold whatever the figures."""
    sheet = tomllib.loads((ROOT / "tests" / "data" / "build.toml").read_text(encoding="utf-8"))
    sheet["engine"] |= {"bore": f"{bore:.2f} mm", "stroke": f"{stroke:.2f} mm", "compression_ratio": round(ratio, 2)}
    sheet["cam"] |= {"lobe_separation": f"{separation:.1f} cam_deg", "intake_centreline": f"{separation - 3.0:.1f} crank_deg"}
    sheet["idle"] |= {"speed": f"{idle:.0f} rpm"}
    engine = CoarseEngine(read_build(sheet))
    ceilings = spark_ceilings(engine, np.array([800.0, 1200.0, 1800.0, 2400.0]) / 60.0, np.array([40e3, 65e3, 95e3]))
    try:
        idles = (idle_state(engine),)
    except NoSolutionError:  # a build that cannot idle so slowly has no starting table
        reject()
    edge = knock_edge(ceilings)
    check(starting_table(ceilings, edge, idles, engine.build), ceilings, edge, idles, engine.build)


def test_where_knock_leaves_no_spark_the_cell_is_to_be_avoided(grid: tuple[Any, Any, Any]) -> None:
    ceilings, idles, build = grid
    # The band alone leaves no spark there, whatever the nominal limits of the example are.
    limits = {name: getattr(ceilings.si, name).copy() for name in ("least_limit", "least_limit_low", "knock", "best_spark", "ceiling")}
    for values in limits.values():
        values[-1, 0] = 10.0
    ceilings = ceilings.replace(**limits)
    low = np.full(ceilings.si.knock.shape, 50.0)
    low[-1, 0] = 1.0  # less the margin of 2: under the least spark of 0
    assert build.limits.si.least_spark == 0.0
    found = starting_table(ceilings, KnockEdge(low, True), idles, build)
    assert np.argwhere(found.avoid).tolist() == [[low.shape[0] - 1, 0]]
    assert found.si.asked[-1, 0] == pytest.approx(-1.0)
    assert found.to_dict()["spark"]["mark"][-1][0] == "avoid"
    # A degree more, and it is entered.
    low[-1, 0] = 2.0
    entered = starting_table(ceilings, KnockEdge(low, True), idles, build)
    assert entered.si.spark[-1, 0] == 0.0
    assert not entered.avoid.any()


def test_a_cell_that_spark_does_not_cure_is_blank_where_knock_leaves_no_spark(grid: tuple[Any, Any, Any]) -> None:
    """It has the next fuller load's spark, but a knock limit of its own."""
    ceilings, idles, build = grid
    # The grid's lightest load, which the limits leave no spark later than the latest useful one.
    uncured = np.isfinite(ceilings.si.ceiling) & (np.arange(ceilings.si.ceiling.shape[0])[:, None] == 0)
    ceilings = ceilings.replace(least_limit=np.where(uncured, ceilings.si.ceiling - 5.0, ceilings.si.least_limit))
    assert uncured.any()
    assert not ceilings.cured[uncured].any()
    low = np.where(uncured, 1.0, 50.0)  # less the margin of 2: under the least spark of 0
    found = starting_table(ceilings, KnockEdge(low, True), idles, build)
    assert np.array_equal(found.avoid & uncured, uncured)


def test_an_edge_that_is_lower_never_gives_more_spark(grid: tuple[Any, Any, Any]) -> None:
    ceilings, idles, build = grid
    lower, higher = (knock_edge(ceilings)._replace(low=knock_edge(ceilings).low + more) for more in (0.0, 4.0))
    a, b = (starting_table(ceilings, edge, idles, build).si.spark for edge in (lower, higher))
    assert (a <= b)[np.isfinite(a) & np.isfinite(b)].all()
    assert np.isnan(a).sum() >= np.isnan(b).sum()
    assert math.isfinite(float(np.nanmin(a)))


def test_the_usual_grid_ends_at_wide_open_throttle_where_knock_is_nearest(resolved_of: Make) -> None:
    engine = resolved_of("long-meadow", old=True)
    pressures = usual_pressures(engine)
    full = barometer(engine)
    assert pressures[-1] == pytest.approx(full, rel=2e-4)
    assert (np.diff(pressures) > 3e3).all()
    ceilings = spark_ceilings(engine, np.array([1400.0, 2200.0]) / 60.0)
    table = starting_table(ceilings, knock_edge(ceilings), (idle_state(engine),), engine.build)
    # A drive looks up loads between the last row and the barometer: none of them knocks.
    proposed = proposed_table(table)
    for speed in (1400.0, 2200.0):
        assert proposed.spark_at(speed / 60.0, full) <= engine.knock_spark(speed / 60.0, 0.9999 * full) - 2.0 + 1e-9


def test_a_load_that_no_throttle_gives_is_a_blank_cell_and_not_the_end_of_all_ceilings(monkeypatch: pytest.MonkeyPatch) -> None:
    """With throttles of their own the cylinders' pressure never falls so low at some speeds."""
    sheet = tomllib.loads((ROOT / "tests" / "data" / "build.toml").read_text(encoding="utf-8"))
    sheet["engine"] |= {"cylinders": 4, "bore": "80 mm", "stroke": "78 mm", "rod_length": "135 mm", "intake_valves": 2, "exhaust_valves": 2}
    sheet["engine"] |= {"intake_valve_diameter": "31 mm", "exhaust_valve_diameter": "27 mm", "intake": "individual throttles"}
    for key in ("plenum_volume", "intake_runner_volume", "rotating_inertia"):
        sheet["engine"].pop(key, None)
    sheet["injector"]["flow"], sheet["idle"]["speed"] = "3 g/s", "1100 rpm"
    engine = MODELS["resolved"](read_build(sheet))
    settled = engine.settled

    def with_a_floor(speed: float, pressure: float, spark: float, **options: Any) -> Any:
        if pressure < 50e3:
            raise NoSolutionError("no throttle opening holds it", reachable=58e3)
        return settled(speed, pressure, spark, **options)

    monkeypatch.setattr(engine, "settled", with_a_floor)
    found = spark_ceilings(engine, np.array([1800.0]) / 60.0, np.array([40e3, 80e3]))
    assert math.isnan(found.si.best_spark[0, 0])
    assert math.isfinite(found.si.best_spark[1, 0])
    # Nor the end of a sampled band.
    assert np.isnan(knock_grid(engine, np.array([1800.0]) / 60.0, np.array([40e3, 80e3]))).ravel().tolist() == [True, False]
