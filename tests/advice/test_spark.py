"""Spark ceilings on a small grid, and the starting table under them."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from camcalc import QuickEngine
from camcalc.advice.spark import BINDS_BELOW, LIMITS, SparkCeilings, ceiling_cell, spark_ceilings, starting_table

Make = Callable[..., Any]
SPEEDS = np.array([900.0, 1400.0, 2200.0]) / 60.0
PRESSURES = np.array([35e3, 50e3, 75e3])


@pytest.fixture(scope="module")
def grid(engine_of: Make, example: str) -> SparkCeilings:
    return spark_ceilings(engine_of(example), SPEEDS, PRESSURES)


@pytest.fixture(scope="module")
def mild_grid(engine_of: Make, example: str) -> SparkCeilings:
    return spark_ceilings(engine_of(example, old=True), SPEEDS, PRESSURES)


NO_SPARK, NO_TORQUE = LIMITS["floor"], "no torque here: raise speed, load or gear"


def allowed(grid: SparkCeilings) -> Any:
    """How much spark each cell may have: no end outside the zone, none at all where no spark serves."""
    none_serves = np.array(grid.binds) == NO_SPARK
    return np.where(none_serves, -np.inf, np.where(np.isfinite(grid.si.ceiling), grid.si.ceiling, np.inf))


def zone(grid: SparkCeilings) -> Any:
    """Which cells lie in the zone: something binds there."""
    return np.array(grid.binds) != ""


def test_no_ceiling_lies_above_best_torque(grid: SparkCeilings, mild_grid: SparkCeilings) -> None:
    for g in (grid, mild_grid):
        known = np.isfinite(g.si.ceiling)
        assert (g.si.ceiling[known] <= g.si.best_spark[known]).all()
        assert np.isfinite(g.si.best_spark).all()


def test_a_long_cam_has_a_zone_and_a_mild_one_a_smaller_one(grid: SparkCeilings, mild_grid: SparkCeilings) -> None:
    assert zone(grid).any()
    assert zone(mild_grid).sum() < zone(grid).sum()
    assert grid.has_zone is bool(np.isfinite(grid.si.ceiling).any())


def test_outside_the_zone_nothing_binds_and_in_it_one_limit_does(grid: SparkCeilings, mild_grid: SparkCeilings) -> None:
    for g in (grid, mild_grid):
        for (row, column), ceiling in np.ndenumerate(g.si.ceiling):
            binds = g.binds[row][column]
            if np.isfinite(ceiling):
                assert binds in set(LIMITS.values()) - {NO_SPARK}
            else:
                assert binds in ("", NO_SPARK)
            if binds == "":
                assert g.remarks[row][column] in ("", NO_TORQUE)


def test_where_no_spark_serves_no_number_is_given_that_could_be_typed_in(engine_of: Make) -> None:
    model = engine_of("quarry-road")
    cells = [ceiling_cell(model, rpm / 60.0, pressure) for rpm in (800.0, 1000.0, 1400.0) for pressure in (50e3, 60e3, 70e3)]
    stuck = [c for c in cells if c.binds == NO_SPARK]
    assert stuck
    for cell in stuck:
        assert np.isnan(cell.ceiling)
        assert min(cell.cleanest, cell.steadiness) < cell.floor


def test_a_cell_outside_the_zone_is_steady_and_near_best_torque(engine_of: Make, example: str) -> None:
    model = engine_of(example, old=True)
    cells = [ceiling_cell(model, float(s), float(p)) for s in SPEEDS for p in PRESSURES]
    outside = [c for c in cells if c.binds == "" and np.isfinite(c.variation)]
    assert outside
    for cell in outside:
        assert min(cell.cleanest, cell.steadiness) > cell.best - BINDS_BELOW


def test_the_ceiling_is_the_least_of_its_limits(engine_of: Make, example: str) -> None:
    model = engine_of(example)
    known = [c for c in (ceiling_cell(model, float(s), float(p)) for s in SPEEDS for p in PRESSURES) if np.isfinite(c.ceiling)]
    assert known
    for cell in known:
        limits = {"best": cell.best, "cleanest": cell.cleanest, "steadiness": cell.steadiness}
        assert cell.ceiling == pytest.approx(min(limits.values()), rel=1e-12)
        assert cell.ceiling >= cell.floor
        (name,) = (n for n, text in LIMITS.items() if text == cell.binds)
        assert limits[name] == pytest.approx(cell.ceiling, rel=1e-12)


def test_the_floor_is_where_half_has_burned_as_late_as_the_sheet_allows(engine_of: Make) -> None:
    model = engine_of("dockside", old=True)
    speed, pressure = 1400.0 / 60.0, 75e3
    cell = ceiling_cell(model, speed, pressure)
    half = model.state(speed, pressure, cell.floor).half_burned
    # Half burned moves nearly one for one with spark: the burn itself grows a little when it is late.
    assert half == pytest.approx(model.build.limits.si.latest_half_burned, abs=6.0)
    assert half > model.state(speed, pressure, cell.best).half_burned


def test_the_starting_table_keeps_below_the_ceiling_and_stays_in_the_zone(grid: SparkCeilings, mild_grid: SparkCeilings) -> None:
    for g in (grid, mild_grid):
        known = np.isfinite(g.si.ceiling)
        assert (np.isfinite(g.si.starting_spark) == known).all()
        assert (g.si.starting_spark[known] <= g.si.ceiling[known]).all()


def test_ceilings_are_said_to_be_for_final_spark(grid: SparkCeilings) -> None:
    assert "FINAL spark" in grid.applies_to
    assert "every adder" in grid.applies_to
    assert grid.to_dict()["applies_to"] == grid.applies_to
    assert "FINAL spark" in str(grid)


def test_a_looser_stability_limit_lowers_no_ceiling(build_of: Make, example: str) -> None:
    build = build_of(example)
    engines = [QuickEngine(build.replace(limits=build.limits.replace(stability=s))) for s in (0.05, 0.10, 0.15, 0.20)]
    grids = [allowed(spark_ceilings(engine, SPEEDS, PRESSURES)) for engine in engines]
    for tight, loose in itertools.pairwise(grids):
        assert (loose >= tight - 1e-9).all()


@pytest.mark.parametrize(
    ("name", "old", "rpm", "pressure", "tight", "loose"),
    [("dockside", False, 2200.0, 65e3, 0.0425, 0.045), ("dockside", True, 600.0, 55e3, 0.0475, 0.05), ("long-meadow", False, 600.0, 75e3, 0.045, 0.05)],
)
def test_a_limit_that_the_cell_barely_misses_takes_no_more_spark_than_one_it_misses_by_far(
    build_of: Make, name: str, old: bool, rpm: float, pressure: float, tight: float, loose: float
) -> None:
    build = build_of(name, old=old)
    engines = [QuickEngine(build.replace(limits=build.limits.replace(stability=s))) for s in (tight, loose)]
    far, barely = (allowed(spark_ceilings(engine, np.array([rpm / 60.0]), np.array([pressure]))) for engine in engines)
    assert (barely >= far - 1e-9).all()


def test_a_wider_swing_raises_no_ceiling(build_of: Make, example: str) -> None:
    build = build_of(example)
    engines = [QuickEngine(build.replace(limits=build.limits.replace(swing_factor=s))) for s in (0.5, 1.0, 2.0)]
    grids = [allowed(spark_ceilings(engine, SPEEDS, PRESSURES)) for engine in engines]
    for narrow, wide in itertools.pairwise(grids):
        assert (wide <= narrow + 1e-9).all()
    assert (grids[-1] < grids[0] - 1e-9).any()


def test_a_longer_cam_lowers_the_ceiling_in_degrees_below_best_torque(grid: SparkCeilings, mild_grid: SparkCeilings) -> None:
    # The mean cycle of a diluted charge wants more spark, and what it may have falls behind that.
    assert (grid.si.best_spark > mild_grid.si.best_spark - 1e-9).all()
    behind = [np.clip(g.si.best_spark - allowed(g), 0.0, 60.0).sum() for g in (mild_grid, grid)]
    assert behind[1] > behind[0]


def test_loads_beyond_the_barometer_are_left_out(engine_of: Make) -> None:
    found = spark_ceilings(engine_of("dockside", altitude="6000 ft"), SPEEDS[:1], np.array([50e3, 75e3, 85e3]))
    assert list(found.si.manifold_pressure) == [50e3, 75e3]
    assert found.si.ceiling.shape == (2, 1)


def test_air_burned_gas_and_variation_of_a_cell_are_those_of_best_torque(engine_of: Make, grid: SparkCeilings, example: str) -> None:
    model = engine_of(example)
    state = model.state(float(SPEEDS[1]), float(PRESSURES[1]), float(grid.si.best_spark[1, 1]))
    assert grid.si.air[1, 1] == pytest.approx(state.air, rel=1e-12)
    assert grid.si.burned_fraction[1, 1] == pytest.approx(state.burned_fraction, rel=1e-12)


shapes = arrays.array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=6)
ceilings_with_holes = arrays.arrays(float, shapes, elements=st.floats(8.0, 55.0) | st.just(np.nan))


@given(ceiling=ceilings_with_holes)
def test_without_floors_the_starting_table_is_level_along_load_and_never_falls_with_speed(ceiling: Any) -> None:
    table = starting_table(ceiling, np.full_like(ceiling, -60.0))
    assert (np.isnan(table) == np.isnan(ceiling)).all()
    levels = [column[np.isfinite(column)] for column in table.T]
    levels = [column for column in levels if column.size]
    assert all((column == column[0]).all() for column in levels)
    assert all(a[0] <= b[0] for a, b in itertools.pairwise(levels))
    # Two degrees below, rounded down.
    assert not (table > ceiling - 2.0 + 1e-9).any()


@given(ceiling=ceilings_with_holes, floor=st.floats(-20.0, 60.0))
def test_the_starting_table_never_passes_the_ceiling_whatever_the_floor(ceiling: Any, floor: float) -> None:
    table = starting_table(ceiling, np.full_like(ceiling, floor))
    assert not (table > ceiling).any()
    assert not (table < np.minimum(np.floor(floor), ceiling)).any()
