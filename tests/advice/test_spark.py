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
from camcalc.advice.spark import BINDS_BELOW, LIMITS, MARGIN, SparkCeilings, ceiling_cell, spark_ceilings, starting_table

Make = Callable[..., Any]
SPEEDS = np.array([900.0, 1400.0, 2200.0]) / 60.0
PRESSURES = np.array([35e3, 50e3, 75e3])


@pytest.fixture(scope="module")
def grid(engine_of: Make, example: str) -> SparkCeilings:
    return spark_ceilings(engine_of(example), SPEEDS, PRESSURES)


@pytest.fixture(scope="module")
def mild_grid(engine_of: Make, example: str) -> SparkCeilings:
    return spark_ceilings(engine_of(example, old=True), SPEEDS, PRESSURES)


def lower_than(less: Any, more: Any) -> bool:
    """Whether any cell of ``less`` lies below ``more``; a cell without a ceiling is as high as can be."""
    return bool((np.nan_to_num(less, nan=np.inf) < np.nan_to_num(more, nan=np.inf) - 1e-9).any())


def test_no_ceiling_lies_above_best_torque(grid: SparkCeilings, mild_grid: SparkCeilings) -> None:
    for g in (grid, mild_grid):
        zone = np.isfinite(g.si.ceiling)
        assert (g.si.ceiling[zone] <= g.si.best_spark[zone]).all()
        assert np.isfinite(g.si.best_spark).all()


def test_a_long_cam_has_a_zone_and_a_mild_one_a_smaller_one(grid: SparkCeilings, mild_grid: SparkCeilings) -> None:
    assert grid.has_zone
    assert np.isfinite(mild_grid.si.ceiling).sum() < np.isfinite(grid.si.ceiling).sum()
    assert np.isnan(mild_grid.si.ceiling).any()


def test_outside_the_zone_nothing_binds_and_in_it_one_limit_does(grid: SparkCeilings, mild_grid: SparkCeilings) -> None:
    for g in (grid, mild_grid):
        zone = np.isfinite(g.si.ceiling)
        for (row, column), inside in np.ndenumerate(zone):
            if inside:
                assert g.binds[row][column] in LIMITS.values()
            else:
                assert g.binds[row][column] == ""
                assert g.remarks[row][column] in ("", "no torque here: raise speed, load or gear")


def test_a_cell_outside_the_zone_is_steady_and_near_best_torque(engine_of: Make, example: str) -> None:
    model = engine_of(example, old=True)
    cells = [ceiling_cell(model, float(s), float(p)) for s in SPEEDS for p in PRESSURES]
    outside = [c for c in cells if np.isnan(c.ceiling)]
    assert outside
    for cell in outside:
        assert min(cell.cleanest, cell.steadiness) > cell.best - BINDS_BELOW


def test_the_ceiling_is_the_least_of_its_limits_or_the_floor(engine_of: Make, example: str) -> None:
    model = engine_of(example)
    for cell in (ceiling_cell(model, float(s), float(p)) for s in SPEEDS for p in PRESSURES):
        if np.isfinite(cell.ceiling):
            least = min(cell.best, cell.cleanest, cell.steadiness)
            assert cell.ceiling == pytest.approx(max(least, cell.floor), rel=1e-12)
            assert cell.binds.startswith("floor") is (cell.floor > least)


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
        zone = np.isfinite(g.si.ceiling)
        assert (np.isfinite(g.si.starting_spark) == zone).all()
        assert (g.si.starting_spark[zone] <= g.si.ceiling[zone]).all()


def test_ceilings_are_said_to_be_for_final_spark(grid: SparkCeilings) -> None:
    assert "FINAL spark" in grid.applies_to
    assert "every adder" in grid.applies_to
    assert grid.to_dict()["applies_to"] == grid.applies_to
    assert "FINAL spark" in str(grid)


def test_a_looser_stability_limit_lowers_no_ceiling(build_of: Make, example: str) -> None:
    build = build_of(example)
    engines = [QuickEngine(build.replace(limits=build.limits.replace(stability=s))) for s in (0.05, 0.10, 0.15, 0.20)]
    grids = [spark_ceilings(engine, SPEEDS, PRESSURES).si.ceiling for engine in engines]
    for tight, loose in itertools.pairwise(grids):
        assert not lower_than(loose, tight)


@pytest.mark.parametrize(
    ("name", "old", "rpm", "pressure", "tight", "loose"),
    [("dockside", False, 2200.0, 65e3, 0.0425, 0.045), ("dockside", True, 600.0, 55e3, 0.0475, 0.05), ("long-meadow", False, 600.0, 75e3, 0.045, 0.05)],
)
def test_a_limit_that_the_cell_barely_misses_takes_no_more_spark_than_one_it_misses_by_far(
    build_of: Make, name: str, old: bool, rpm: float, pressure: float, tight: float, loose: float
) -> None:
    build = build_of(name, old=old)
    cells = [ceiling_cell(QuickEngine(build.replace(limits=build.limits.replace(stability=s))), rpm / 60.0, pressure) for s in (tight, loose)]
    assert not lower_than(cells[1].ceiling, cells[0].ceiling)


def test_a_wider_swing_raises_no_ceiling(build_of: Make, example: str) -> None:
    build = build_of(example)
    engines = [QuickEngine(build.replace(limits=build.limits.replace(swing_factor=s))) for s in (0.5, 1.0, 2.0)]
    grids = [spark_ceilings(engine, SPEEDS, PRESSURES).si.ceiling for engine in engines]
    for narrow, wide in itertools.pairwise(grids):
        assert not lower_than(narrow, wide)
    assert lower_than(grids[-1], grids[0])


def test_a_longer_cam_lowers_the_ceiling_in_degrees_below_best_torque(grid: SparkCeilings, mild_grid: SparkCeilings) -> None:
    # The mean cycle of a diluted charge wants more spark, and what it may have falls behind that.
    assert (grid.si.best_spark > mild_grid.si.best_spark - 1e-9).all()
    behind = [np.nan_to_num(g.si.best_spark - g.si.ceiling, nan=0.0)[1:].sum() for g in (mild_grid, grid)]
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
    assert not (table > ceiling - MARGIN + 1e-9).any()


@given(ceiling=ceilings_with_holes, floor=st.floats(-20.0, 60.0))
def test_the_starting_table_never_passes_the_ceiling_whatever_the_floor(ceiling: Any, floor: float) -> None:
    table = starting_table(ceiling, np.full_like(ceiling, floor))
    assert not (table > ceiling).any()
    assert not (table < np.minimum(np.floor(floor), ceiling)).any()
