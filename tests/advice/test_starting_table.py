"""The first table for the low-speed zone, from cells made for the test and from the resolved engines."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from camcalc.advice.spark_limits import AT_IDLE, LIMITS, NO_TORQUE, OFFSETS, CeilingCell
from camcalc.advice.starting_table import STEEPEST, starting_table, whole_table

Make = Callable[..., Any]
MARGIN = 2.0


def cell(*, best: float, limit: float, floor: float, knock: float = math.inf, zone: bool = True, remark: str = "") -> CeilingCell:
    """A cell as the ceilings give it: in the zone the limit, or the floor where the limit asks for less."""
    safe = min(best, knock)
    limit = min(limit, safe) if zone else safe
    floor = min(floor, best)
    ceiling = math.nan if not zone else (limit if limit >= floor else min(floor, safe))
    binds = "" if not zone else LIMITS["fuller" if limit >= floor else "floor"]
    plain = dict.fromkeys(CeilingCell._fields, math.nan)
    return CeilingCell(
        **plain
        | {"best": best, "knock": knock, "limit": limit, "floor": floor, "ceiling": ceiling, "binds": binds, "remark": remark, "torque": (1.0,) * OFFSETS.size}
    )  # type: ignore[arg-type]


@st.composite
def grids(draw: st.DrawFn) -> list[list[CeilingCell]]:
    """A grid whose zone lies where spark is to be limited, with dead cells, cells near idle, and cells that spark does not cure."""
    rows, columns = draw(st.integers(1, 4)), draw(st.integers(1, 5))
    one = st.builds(
        cell,
        best=st.floats(15.0, 60.0),
        limit=st.floats(0.0, 60.0),
        floor=st.floats(-10.0, 40.0),
        knock=st.sampled_from([math.inf]) | st.floats(0.0, 50.0),
        zone=st.booleans(),
    )
    outside = st.builds(
        cell, best=st.floats(15.0, 60.0), limit=st.just(0.0), floor=st.just(0.0), zone=st.just(False), remark=st.sampled_from([AT_IDLE, NO_TORQUE])
    )
    return [[draw(one | one | outside) for _ in range(columns)] for _ in range(rows)]


def field(cells: list[list[CeilingCell]], name: str) -> Any:
    return np.array([[getattr(c, name) for c in row] for row in cells])


def zone_of(cells: list[list[CeilingCell]]) -> Any:
    return np.isfinite(field(cells, "ceiling"))


def cured_in(cells: list[list[CeilingCell]]) -> Any:
    return zone_of(cells) & (field(cells, "floor") <= field(cells, "limit"))


@given(cells=grids(), margin=st.floats(0.0, 6.0))
def test_no_cell_passes_its_ceiling_or_outside_the_zone_best_torque_and_knock_less_the_margin(cells: list[list[CeilingCell]], margin: float) -> None:
    table, zone = starting_table(cells, margin=margin), zone_of(cells)
    given_ = np.isfinite(table)
    assert (table[given_ & zone] <= field(cells, "ceiling")[given_ & zone] + 1e-9).all()
    outside = given_ & ~zone
    plain = np.minimum(field(cells, "best"), field(cells, "knock"))
    assert (table[outside] <= plain[outside] - margin + 1e-9).all()


@given(cells=grids())
def test_no_cell_of_the_zone_lies_below_its_floor_unless_its_ceiling_does(cells: list[list[CeilingCell]]) -> None:
    table, zone = starting_table(cells, margin=MARGIN), zone_of(cells)
    given_ = np.isfinite(table) & zone
    assert (table[given_] >= np.minimum(field(cells, "floor"), field(cells, "ceiling"))[given_] - 1e-9).all()


@given(cells=grids())
def test_spark_is_in_whole_degrees_where_the_ceiling_leaves_room(cells: list[list[CeilingCell]]) -> None:
    table = starting_table(cells, margin=MARGIN)
    given_ = np.isfinite(table)
    whole = np.floor(table[given_]) == table[given_]
    assert (whole | (table == field(cells, "ceiling"))[given_]).all()


@given(cells=grids())
def test_without_a_cured_cell_there_is_no_table_and_every_cured_cell_has_spark(cells: list[list[CeilingCell]]) -> None:
    table, cured = starting_table(cells, margin=MARGIN), cured_in(cells)
    assert np.isfinite(table).any() == cured.any()
    assert np.isfinite(table[cured]).all()


@given(cells=grids())
def test_cells_near_idle_and_dead_ones_stay_blank(cells: list[list[CeilingCell]]) -> None:
    table = starting_table(cells, margin=MARGIN)
    elsewhere = np.isin(field(cells, "remark"), (AT_IDLE, NO_TORQUE))
    assert np.isnan(table[elsewhere]).all()


@given(cells=grids())
def test_a_cured_cell_lies_within_three_degrees_of_its_neighbours_unless_a_floor_holds_one_up(cells: list[list[CeilingCell]]) -> None:
    table, cured = starting_table(cells, margin=MARGIN), cured_in(cells)
    held_up = table <= np.ceil(field(cells, "floor")) + 1e-9
    hold_nobody = zone_of(cells) & ~cured
    for axis in (0, 1):
        view, within, up, apart = (np.moveaxis(a, axis, 0) for a in (table, cured, held_up, hold_nobody))
        for k, j in itertools.product(range(len(view) - 1), range(view.shape[1])):
            a, b = view[k, j], view[k + 1, j]
            one = within[k, j] or within[k + 1, j]
            if math.isnan(a) or math.isnan(b) or not one or apart[k, j] or apart[k + 1, j] or (up[k, j] and a >= b) or (up[k + 1, j] and b >= a):
                continue
            assert abs(a - b) <= STEEPEST


@given(cells=grids())
def test_with_low_floors_spark_never_falls_as_speed_rises_within_a_run_of_the_zone(cells: list[list[CeilingCell]]) -> None:
    low = [[c._replace(floor=-60.0, ceiling=c.limit if math.isfinite(c.ceiling) else math.nan, best=60.0, knock=math.inf) for c in row] for row in cells]
    table, zone = starting_table(low, margin=MARGIN), zone_of(low)
    one_load = table.shape[0] == 1
    for line, within in zip(table, zone, strict=True):
        run = line[within]
        # Other loads may hold a cell down from the side; with one load alone nothing does.
        if one_load and within.all():
            assert (np.diff(run) >= 0.0).all()


def test_a_plain_zone_comes_out_level_along_load_rising_along_speed_and_eased_into_the_rest() -> None:
    limits = [18.0, 21.0, 24.0]
    rows = [[cell(best=45.0, limit=v, floor=5.0) for v in limits] + [cell(best=45.0, limit=0.0, floor=5.0, zone=False) for _ in range(9)] for _ in range(3)]
    table = starting_table(rows, margin=MARGIN)
    # Two below the ceilings, then three a cell until best torque less two is met: 43.
    expected = [16.0, 19.0, 22.0, 25.0, 28.0, 31.0, 34.0, 37.0, 40.0]
    for line in table:
        assert line[:9].tolist() == expected
        assert np.isnan(line[9:]).all()


def test_a_ceiling_that_falls_with_speed_holds_the_slower_cells_down() -> None:
    table = starting_table([[cell(best=50.0, limit=v, floor=0.0) for v in (30.0, 20.0, 28.0)]], margin=MARGIN)
    assert table.tolist() == [[18.0, 18.0, 21.0]]


def test_a_cell_that_no_spark_cures_has_its_floor_if_that_is_near_and_stays_blank_if_not() -> None:
    near, far = cell(best=50.0, limit=10.0, floor=26.0), cell(best=50.0, limit=10.0, floor=40.0)
    easy = cell(best=50.0, limit=22.0, floor=5.0)
    # Two steps of three degrees above what the neighbour's 20 allows: to 29.
    assert starting_table([[near, easy]], margin=MARGIN)[0].tolist() == [26.0, 20.0]
    table = starting_table([[far, easy]], margin=MARGIN)[0]
    assert math.isnan(table[0])
    assert table[1] == 20.0


def test_a_cell_whose_knock_stands_below_its_floor_keeps_the_knock() -> None:
    loud = cell(best=40.0, limit=30.0, floor=20.0, knock=14.5)
    easy = cell(best=40.0, limit=15.0, floor=5.0)
    table = starting_table([[easy, loud]], margin=MARGIN)
    assert table[0, 0] == 13.0
    assert math.isnan(table[0, 1]) or table[0, 1] <= 14.5


def test_the_long_cams_table_stays_under_its_ceilings_and_over_its_floors(ceilings_of: Make) -> None:
    for name in ("quarry-road", "dockside"):
        grid = ceilings_of(name)
        zone, table = np.isfinite(grid.si.ceiling), grid.si.starting_spark
        assert (table[zone] <= grid.si.ceiling[zone]).all()
        assert (table[grid.cured] >= grid.si.floor[grid.cured] - 1e-9).all()


def test_every_cell_of_the_whole_table_has_a_number_that_neither_knocks_nor_passes_best_torque(ceilings_of: Make, example: str) -> None:
    for old in (False, True):
        grid = ceilings_of(example, old=old)
        table, safe = grid.si.starting_spark, np.fmin(grid.si.best_spark, grid.si.knock)
        assert np.array_equal(table, np.floor(table))
        # A cell of the zone may have its ceiling, which stands no higher; outside it the margin holds.
        assert (table <= safe + 1e-9).all()
        outside = np.isnan(grid.si.ceiling)
        assert (table[outside] <= safe[outside] - MARGIN + 1e-9).all()


def test_cells_without_a_number_of_their_own_have_that_of_the_next_fuller_load_or_the_next_faster_speed_unless_they_knock() -> None:
    easy, dead = cell(best=40.0, limit=20.0, floor=5.0), cell(best=60.0, limit=20.0, floor=60.0)
    idle = cell(zone=False, best=40.0, limit=40.0, floor=0.0, remark=AT_IDLE)
    loud = cell(zone=False, best=40.0, limit=8.0, floor=0.0, knock=8.0, remark=AT_IDLE)
    table = whole_table([[idle, dead], [loud, easy]], margin=MARGIN)
    assert table.tolist() == [[18.0, 18.0], [6.0, 18.0]]
