"""Shaping: the largest table under base and ceilings with no steep neighbours, the least change where cells may rise, adding back. All tables are invented."""

from __future__ import annotations

import itertools
import math
from typing import Any

import cvxpy
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.optimize import linprog

from camcalc.errors import CamcalcError, InputError
from camcalc.tables import SparkTable, add_back, shape_table
from camcalc.tables.programme import Limits, largest, ticks_of
from camcalc.tables.shaped import Fallback, Neighbours, Reason, When
from camcalc.words import describe
from camcalc.words.shaping import shaped_full
from tests.oracles.shaping import Case, Grid, cases, every_table, largest_by_highs, small_cases, table_of, worst_excess


def is_multiple(values: Grid, increment: float) -> Grid:
    return np.abs(values / increment - np.rint(values / increment)) < 1e-9


@given(case=cases())
def test_no_cell_is_above_base_ceiling_or_knock_and_no_pair_is_steeper_than_its_limit(case: Case) -> None:
    new = case.shaped().table.si.cells
    assert (new <= case.base.si.cells).all()
    assert (new <= case.upper + 1e-9).all()
    assert worst_excess(new, case.ties(case.first_changed(new))) <= 1e-8


@given(case=cases())
def test_changed_cells_are_on_the_increment_and_the_others_as_they_were(case: Case) -> None:
    shaped = case.shaped()
    new, old = shaped.table.si.cells, case.base.si.cells
    assert is_multiple(new[new != old], case.base.si.increment).all()
    assert {(c.row, c.column) for c in shaped.changes} == {(int(r), int(c)) for r, c in np.argwhere(new != old)}
    assert all(c.si.spark_before == old[c.row, c.column] and c.si.spark_after == new[c.row, c.column] for c in shaped.changes)
    assert {(c.row, c.column) for c in shaped.rim} == {(int(r), int(c)) for r, c in np.argwhere((new != old) & ~case.zone)}
    for change in shaped.changes:
        cell = change.row, change.column
        over = bool(case.zone[cell] and old[cell] > case.ceiling[cell])
        assert (Reason.CEILING in change.reasons) == over
        assert (Reason.KNOCK in change.reasons) == bool(old[cell] > case.held[cell] + 1e-9)
        assert change.reasons
        # A cell that is said to be above a lighter load is as low as that one, or as near as the increment allows.
        if Reason.RISE in change.reasons:
            assert new[cell] + case.base.si.increment > new[change.row, change.column - 1] - 1e-9


@given(case=cases())
def test_shaping_twice_equals_once(case: Case) -> None:
    once = case.shaped().table
    again = shape_table(once, case.ceiling, **case.options)
    assert again.changes == ()
    assert np.array_equal(again.table.si.cells, once.si.cells)


@given(data=st.data())
def test_limits_turned_over_the_diagonal_give_the_turned_result_where_none_is_one_sided(data: st.DataObject) -> None:
    rows, columns = data.draw(st.integers(2, 5)), data.draw(st.integers(2, 5))
    upper, by_speed, by_load = (
        ticks_of(data.draw(arrays(float, shape, elements=st.integers(0, 40).map(lambda k: k / 2.0))))
        for shape in ((rows, columns), (rows - 1, columns), (rows, columns - 1))
    )
    free = np.zeros((rows, columns), dtype=bool)
    one, _ = largest(upper, (upper,), free, Limits(by_speed, by_load, by_load), int(ticks_of(1.0)))
    other, _ = largest(upper.T, (upper.T,), free.T, Limits(by_load.T, by_speed.T, by_speed.T), int(ticks_of(1.0)))
    assert np.array_equal(one, other.T)


@given(case=cases())
def test_nothing_changes_where_ceilings_are_kept_and_slopes_within_their_limits(case: Case) -> None:
    smooth = case.shaped().table
    assert shape_table(smooth, np.where(np.isfinite(case.ceiling), smooth.si.cells, np.nan), **case.options).changes == ()


def test_nothing_changes_beyond_the_reach_of_a_ceiling() -> None:
    base = table_of(np.full((9, 9), 30.0))
    ceiling = np.full((9, 9), np.nan)
    ceiling[4, 4] = 22.0
    new = shape_table(base, ceiling).table.si.cells
    rows, columns = np.indices((9, 9))
    # Outside the zone neighbours may differ by three degrees, or by as much as in the base table, which is nothing here. Fuller loads
    # have no more than the lighter one beside them.
    assert np.array_equal(new, np.minimum(30.0, 22.0 + 3.0 * (np.abs(rows - 4) + np.maximum(4 - columns, 0))))


@given(case=cases(on_increment=True))
def test_the_largest_table_is_the_optimum_of_the_linear_programme(case: Case) -> None:
    other = largest_by_highs(case)
    assert other is not None
    assert case.shaped().table.si.cells == pytest.approx(other, abs=1e-6)


@given(case=cases(on_increment=True), data=st.data())
def test_locked_cells_keep_their_number_or_are_named_just_when_the_programme_has_no_solution(case: Case, data: st.DataObject) -> None:
    locked = np.array(data.draw(st.lists(st.booleans(), min_size=case.ceiling.size, max_size=case.ceiling.size))).reshape(case.base.shape)
    other = largest_by_highs(case, locked)
    if other is None:
        with pytest.raises(CamcalcError) as caught:
            case.shaped(locked=locked)
        places = [case.base.place(r, c) for r, c in np.argwhere(locked)]
        assert any(f"locked cell at {place}\n" in str(caught.value) for place in places)
    else:
        new = case.shaped(locked=locked).table.si.cells
        assert np.array_equal(new[locked], case.base.si.cells[locked])
        assert new == pytest.approx(other, abs=1e-6)


@settings(max_examples=15)
@given(case=cases(on_increment=True))
def test_the_largest_table_is_the_optimum_of_the_convex_programme(case: Case) -> None:
    q, new = case.base.si.increment, case.shaped().table.si.cells
    x = cvxpy.Variable(case.ceiling.size)
    ties = [x[i] - x[j] <= math.floor(limit / q + 1e-6) for i, j, limit in case.ties(case.first_changed(new))]
    problem = cvxpy.Problem(cvxpy.Maximize(cvxpy.sum(x)), [x <= np.floor(case.upper.ravel() / q + 1e-6), *ties])
    problem.solve(solver=cvxpy.CLARABEL)
    assert new.ravel() / q == pytest.approx(x.value, abs=1e-4)


@given(case=small_cases(on_increment=True, columns=3))
def test_no_table_that_keeps_the_rules_is_larger_in_any_cell(case: Case) -> None:
    """The rule on rising speaks of what each table itself changes: among all such tables there is a largest, and it is found."""
    tables = every_table(case, 19.0, case.upper)
    assert np.array_equal(case.shaped().table.si.cells, np.max(tables, axis=0))


@given(case=small_cases(on_increment=False))
def test_off_the_increment_too_no_allowed_table_is_larger_in_any_cell(case: Case) -> None:
    tables = every_table(case, 18.0, case.upper)
    assert np.array_equal(case.shaped().table.si.cells, np.max(tables, axis=0))


@given(case=small_cases(on_increment=True), rise=st.integers(1, 3), best=st.integers(21, 28))
def test_with_raising_no_allowed_table_changes_less_and_of_those_none_has_less_spark(case: Case, rise: int, best: int) -> None:
    base = case.base.si.cells
    top = np.minimum(np.where(np.isfinite(case.ceiling), case.ceiling, np.inf), case.held)
    upper = np.minimum(np.maximum(base, np.minimum(base + rise, best - 2.0)), top)
    new = case.shaped(allow_raise=f"{rise} crank_deg", best=np.full(base.shape, float(best))).table.si.cells
    ties = case.ties(case.first_changed(new))
    choices = [np.arange(18.0, u + 1e-9) for u in upper.ravel()]
    tables = [t for t in (np.array(x).reshape(base.shape) for x in itertools.product(*choices)) if worst_excess(t, ties) <= 1e-9]
    least = min(float(np.abs(t - base).sum()) for t in tables)
    assert np.abs(new - base).sum() == least
    assert np.array_equal(new, np.min([t for t in tables if np.abs(t - base).sum() == least], axis=0))


@settings(max_examples=25)
@given(case=cases(on_increment=True), rise=st.sampled_from([1.0, 2.0, 5.0]), level=st.integers(20, 45), data=st.data())
def test_with_raising_the_sum_of_changes_is_the_convex_optimum(case: Case, rise: float, level: int, data: st.DataObject) -> None:
    q, base = case.base.si.increment, case.base.si.cells
    best = np.where(data.draw(st.booleans()), np.full(base.shape, float(level)), np.nan)
    shaped = case.shaped(allow_raise=f"{rise} crank_deg", best=best)
    new = shaped.table.si.cells
    safe = np.where(np.isfinite(best), np.minimum(base + rise, best - 2.0), -np.inf)
    top = np.minimum(np.where(case.zone & np.isfinite(case.ceiling), case.ceiling, np.inf), case.held)
    upper = np.minimum(np.maximum(base, np.minimum(safe, case.risen)), top)
    assert (new <= upper + 1e-9).all()
    ties = case.ties(case.first_changed(new))
    assert worst_excess(new, ties) <= 1e-8
    assert is_multiple(new, q).all()
    x = cvxpy.Variable(base.size)
    kept = [x[i] - x[j] <= math.floor(limit / q + 1e-6) for i, j, limit in ties]
    problem = cvxpy.Problem(cvxpy.Minimize(cvxpy.norm1(x - base.ravel() / q)), [x <= np.floor(upper.ravel() / q + 1e-6), *kept])
    problem.solve(solver=cvxpy.CLARABEL)
    # The rule on rising speaks of what the table itself changes: under that, none changes less; nor does lowering alone.
    lowered = case.shaped().table.si.cells
    assert np.abs(new - base).sum() / q == pytest.approx(problem.value, abs=1e-3) or np.array_equal(new, lowered)
    assert np.abs(new - base).sum() <= np.abs(lowered - base).sum() + 1e-9
    again = shape_table(shaped.table, case.ceiling, **case.options, allow_raise=f"{rise} crank_deg", best=best)
    assert again.changes == ()


@given(case=cases(on_increment=True), rise=st.sampled_from([2.0, 5.0]))
def test_of_several_tables_of_least_change_the_one_with_the_least_spark_is_given(case: Case, rise: float) -> None:
    q, base = case.base.si.increment, case.base.si.cells
    new = case.shaped(allow_raise=f"{rise} crank_deg", best=np.full(base.shape, 60.0)).table.si.cells
    size, start = base.size, np.rint(base.ravel() / q)
    top = np.floor(np.minimum(np.where(case.zone & np.isfinite(case.ceiling), case.ceiling, np.inf), case.held).ravel() / q + 1e-6)
    # Variables: spark, and how far it is from base; the sum of the latter is held to the least.
    rows, room = [np.concatenate([np.zeros(size), np.ones(size)])], [float(np.rint(np.abs(new - base).sum() / q))]
    for k in range(size):
        for sign in (1.0, -1.0):
            row = np.zeros(2 * size)
            row[k], row[size + k] = sign, -1.0
            rows.append(row)
            room.append(sign * start[k])
    for i, j, limit in case.ties(case.first_changed(new)):
        row = np.zeros(2 * size)
        row[i], row[j] = 1.0, -1.0
        rows.append(row)
        room.append(math.floor(limit / q + 1e-6))
    risen = np.maximum(start, np.minimum(start + round(rise / q), np.floor(np.broadcast_to(case.risen, base.shape).ravel() / q + 1e-6)))
    bounds = [(None, u) for u in np.minimum(risen, top)] + [(0.0, None)] * size
    found = linprog(np.repeat([1.0, 0.0], size), A_ub=np.array(rows), b_ub=np.array(room), bounds=bounds, method="highs")
    assert found.success
    assert new.ravel() / q == pytest.approx(found.x[:size], abs=1e-5)


def test_a_dip_is_filled_where_cells_may_rise_and_the_reason_says_so() -> None:
    base = table_of([[30.0, 30.0, 30.0], [30.0, 22.0, 30.0], [30.0, 30.0, 30.0]])
    zone = np.ones((3, 3), dtype=bool)
    lowered = shape_table(base, np.full((3, 3), 35.0), zone=zone)
    raised = shape_table(base, np.full((3, 3), 35.0), zone=zone, allow_raise="5 crank_deg", best=np.full((3, 3), 40.0))
    assert lowered.table.si.cells.tolist() == [[28.0, 25.0, 25.0], [25.0, 22.0, 22.0], [28.0, 25.0, 25.0]]
    assert raised.table.si.cells.tolist() == [[30.0, 30.0, 30.0], [30.0, 27.0, 27.0], [30.0, 30.0, 30.0]]
    assert [c.reasons for c in raised.changes] == [(Reason.RAISED,), (Reason.RISE,)]
    held = shape_table(base, np.full((3, 3), 35.0), zone=zone, allow_raise="5 crank_deg", best=np.full((3, 3), 27.0)).table.si.cells
    assert held[1, 1] == 25.0


def test_a_cell_pulled_below_its_own_ceiling_says_both_reasons() -> None:
    ceiling = np.array([[20.0, 30.0], [20.0, 30.0]])
    assert [c.reasons for c in shape_table(table_of(np.full((2, 2), 40.0)), ceiling).changes[:2]] == [
        (Reason.CEILING,),
        (Reason.CEILING, Reason.RISE),
    ]
    assert [c.reasons for c in shape_table(table_of(np.full((2, 2), 40.0)), ceiling[:, ::-1]).changes[:2]] == [
        (Reason.CEILING, Reason.SLOPE),
        (Reason.CEILING,),
    ]


def test_locked_cells_among_raised_ones_keep_their_number() -> None:
    base = table_of([[30.0, 30.0, 30.0], [30.0, 20.5, 30.0], [30.0, 30.0, 30.0]])
    locked = np.zeros((3, 3), dtype=bool)
    locked[1, 1] = True
    new = shape_table(base, np.full((3, 3), 35.0), locked=locked, allow_raise="5 crank_deg", best=np.full((3, 3), 40.0)).table.si.cells
    assert new.tolist() == [[26.0, 23.0, 23.0], [23.0, 20.5, 20.0], [26.0, 23.0, 23.0]]
    # A free cell alone among locked ones: what may rise and what may fall is theirs to say.
    spike = base.with_spark([[30.5, 30.5, 30.5], [30.5, 24.0, 24.5], [30.5, 30.5, 30.5]])
    options = {"locked": ~locked, "zone": locked, "per_cell": "4 crank_deg", "allow_raise": "5 crank_deg", "best": np.full((3, 3), 40.0)}
    raised = shape_table(spike, np.full((3, 3), 35.0), **options)
    assert raised.table.si.cells[1, 1] == 27.0


def test_raising_asks_for_best_torque_and_an_increment_that_fits() -> None:
    base = table_of([[20.0, 20.5], [20.0, 20.0]])
    with pytest.raises(InputError, match="best-torque spark"):
        shape_table(base.with_spark(np.full((2, 2), 20.0)), np.full((2, 2), 25.0), allow_raise="1 crank_deg")
    with pytest.raises(InputError, match=r"20\.5 at 800 rpm, 20 percent is no multiple"):
        shape_table(base, np.full((2, 2), 25.0), allow_raise="1 crank_deg", best=np.full((2, 2), 40.0))


def conflict(base: list[list[float]], ceiling: Any, *places: tuple[int, int], **options: Any) -> str:
    table = table_of(base)
    locked = np.zeros(table.shape, dtype=bool)
    for place in places:
        locked[place] = True
    with pytest.raises(CamcalcError) as caught:
        shape_table(table, ceiling, locked=locked, **options)
    return str(caught.value)


def test_a_locked_cell_that_cannot_stay_is_named_with_what_it_conflicts_with() -> None:
    blank = np.full((3, 2), np.nan)
    level = [[30.0, 30.0], [30.0, 30.0], [30.0, 30.0]]
    ceiling = blank.copy()
    ceiling[0, 0] = 22.0
    own = conflict(level, ceiling, (0, 0))
    assert "locked cell at 800 rpm, 10 percent" in own
    assert "at most 22, its ceiling" in own
    far = conflict(level, ceiling, (2, 0))
    assert "locked cell at 1200 rpm, 10 percent" in far
    assert "at most 28 beside 1000 rpm, 10 percent: the ceiling at 800 rpm, 10 percent is 22" in far
    everywhere = np.ones((3, 2), dtype=bool)
    both = conflict([[20.0, 30.0], [30.0, 30.0], [30.0, 30.0]], blank, (0, 0), (2, 0), zone=everywhere)
    assert "locked cell at 1200 rpm, 10 percent" in both
    assert "at most 26 beside 1000 rpm, 10 percent: the cell at 800 rpm, 10 percent is locked at 20" in both
    base = conflict([[20.0, 30.0], [30.0, 30.0], [30.0, 30.0]], blank, (2, 0), zone=everywhere)
    assert "the cell at 800 rpm, 10 percent has no more than 20" in base
    step = conflict([[20.5, 25.0], [25.0, 25.0]], np.full((2, 2), 30.0), (0, 0), per_cell="0.4 crank_deg")
    assert "the increment leaves its neighbour no number in between" in step


@given(case=cases(), data=st.data(), step=st.sampled_from([0.0, 1.0, 2.5, 10.0]))
def test_adding_back_raises_visited_cells_only_and_as_far_as_it_may(case: Case, data: st.DataObject, step: float) -> None:
    current = case.shaped().table
    visited = np.array(data.draw(st.lists(st.booleans(), min_size=case.ceiling.size, max_size=case.ceiling.size))).reshape(case.base.shape)
    back = add_back(current, case.base, ceiling=case.ceiling, visited=visited, step=f"{step} crank_deg", **case.options)
    new, now, old = back.table.si.cells, current.si.cells, case.base.si.cells
    assert (new >= now).all()
    assert np.array_equal(new[~visited], now[~visited])
    # Where knock was not computed nothing rises, once it was computed at all; elsewhere it stays two degrees off.
    knock = case.options.get("knock", np.full(now.shape, np.inf))
    top = np.minimum(np.minimum(now + step, case.upper), np.where(np.isnan(knock), -np.inf, knock - 2.0))
    assert (new <= np.maximum(now, top) + 1e-9).all()
    ties = [(i, j, max(limit, float(now.flat[i] - now.flat[j]))) for i, j, limit in case.ties([case.base.shape[1]] * case.base.shape[0])]
    own, first = np.diff(now, axis=1), np.diff(old, axis=1)
    index = np.arange(now.size).reshape(now.shape)
    rising = np.where(own > 1e-9, np.maximum(own, first), 0.0)
    ties += [(int(j), int(i), float(rise)) for i, j, rise in zip(index[:, :-1].ravel(), index[:, 1:].ravel(), rising.ravel(), strict=True)]
    assert worst_excess(new, ties) <= 1e-8
    assert {c.reasons for c in back.changes} <= {(Reason.ADDED_BACK,)}
    # No visited cell could take the next number by itself.
    q = case.base.si.increment
    for r, c in np.argwhere(visited):
        higher = new.copy()
        higher[r, c] = math.floor(new[r, c] / q + 1e-6) * q + q
        assert higher[r, c] > top[r, c] + 1e-9 or worst_excess(higher, ties) > 1e-9


def test_adding_back_everywhere_returns_to_the_original_where_nothing_stands_against_it() -> None:
    base = table_of([[30.3, 30.0], [31.0, 30.0]])
    ceiling = np.full((2, 2), 22.0)
    current = shape_table(base, ceiling).table
    visited = np.ones((2, 2), dtype=bool)
    back = add_back(current, base, ceiling=np.full((2, 2), 40.0), visited=visited, step="20 crank_deg")
    assert np.array_equal(back.table.si.cells, base.si.cells)
    part = add_back(current, base, ceiling=np.full((2, 2), 40.0), visited=visited, step="2 crank_deg")
    assert (part.table.si.cells == 24.0).all()


def test_adding_back_refuses_a_table_that_is_not_shaped() -> None:
    base = table_of([[30.0, 30.0], [30.0, 30.0]])
    visited = np.ones((2, 2), dtype=bool)
    with pytest.raises(InputError, match="at most its ceiling of 22"):
        add_back(base, base, ceiling=np.full((2, 2), 22.0), visited=visited)
    steep = base.with_spark([[20.0, 30.0], [20.0, 20.0]])
    with pytest.raises(InputError, match="slopes within their limits"):
        add_back(steep, base, ceiling=np.full((2, 2), 40.0), visited=visited, step="0 crank_deg")
    with pytest.raises(InputError, match="axes of the current table"):
        add_back(base, table_of(np.full((2, 3), 30.0)), ceiling=np.full((2, 2), 40.0), visited=visited)


def test_slope_limits_follow_the_spacing_and_three_degrees_a_cell_stand_in_where_none_is_known() -> None:
    speed = np.array([800.0, 900.0, 1300.0]) / 60.0
    base = table_of(np.full((3, 2), 40.0), speed=speed, increment=0.1)
    ceiling = np.full((3, 2), 40.0)
    ceiling[0] = 20.0
    # A slope limit alone holds where it is given; three degrees a cell, and a limit per cell, where it is asked for or nothing else is known.
    new = shape_table(base, ceiling, along_speed="10 crank_deg/krpm", along_load="1 crank_deg/percent")
    assert new.table.si.cells[:, 0].tolist() == [20.0, 21.0, 25.0]
    assert new.fallbacks == ()
    three = shape_table(base, ceiling, along_speed="10 crank_deg/krpm", per_cell="3 crank_deg")
    assert three.table.si.cells[:, 0].tolist() == [20.0, 21.0, 24.0]
    unknown = shape_table(base, ceiling)
    assert unknown.table.si.cells[:, 0].tolist() == [20.0, 23.0, 26.0]
    assert unknown.fallbacks == (Fallback.ALONG_SPEED, Fallback.ALONG_LOAD)
    assert " ".join(describe(unknown).split()).count("3 deg per cell (common practice, no source) instead") == 2
    tall = table_of(np.full((2, 3), 40.0), loads=[0.2, 0.4, 0.45], increment=0.1)
    for slope in ("0.1 crank_deg/percent", "10 crank_deg"):
        assert shape_table(tall, ceiling.T[:, ::-1], along_load=slope).table.si.cells[0].tolist() == [22.5, 20.5, 20.0]


@pytest.mark.parametrize(
    ("kind", "loads", "slope", "wrong"),
    [
        ("manifold pressure", [40e3, 50e3], "0.1 crank_deg/kPa", "10 crank_deg/g"),
        ("air charge", [2e-4, 3e-4], "10 crank_deg/g", "0.1 crank_deg/kPa"),
        ("relative charge", [0.2, 0.3], "0.1 crank_deg/percent", "0.1 crank_deg/kPa"),
    ],
)
def test_a_load_slope_belongs_to_the_kind_of_load(kind: str, loads: list[float], slope: str, wrong: str) -> None:
    base = SparkTable(load_kind=kind, speed=np.array([10.0, 20.0]), loads=np.array(loads), cells=np.full((2, 2), 40.0), increment=0.1)
    ceiling = np.array([[40.0, 20.0], [40.0, 20.0]])
    assert shape_table(base, ceiling, along_load=slope).table.si.cells.tolist() == [[21.0, 20.0], [21.0, 20.0]]
    with pytest.raises(InputError, match="along_load"):
        shape_table(base, ceiling, along_load=wrong)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"ceiling": np.full((2, 3), 20.0)}, "ceiling"),
        ({"ceiling": np.array([[20.0, 90.0], [20.0, 20.0]])}, "ceiling"),
        ({"ceiling": np.array([[20.0, -np.inf], [20.0, 20.0]])}, "ceiling"),
        ({"zone": np.ones((2, 2))}, "true or false"),
        ({"locked": np.ones((3, 2), dtype=bool)}, "locked"),
        ({"per_cell": 3.0}, "bare number"),
        ({"along_speed": "3 crank_deg"}, "along_speed"),
        ({"increment": "0 crank_deg"}, "increment"),
        ({"allow_raise": "-1 crank_deg"}, "allow_raise"),
    ],
)
def test_what_cannot_be_used_is_refused_by_name(options: dict[str, Any], words: str) -> None:
    base = table_of(np.full((2, 2), 30.0))
    with pytest.raises(InputError, match=words):
        shape_table(base, options.pop("ceiling", np.full((2, 2), 20.0)), **options)


def test_cells_below_the_floor_are_listed_and_left_alone() -> None:
    base = table_of(np.full((3, 3), 30.0))
    ceiling, floor = np.full((3, 3), np.nan), np.full((3, 3), np.nan)
    ceiling[0, 0], floor[0, 0], floor[0, 1], floor[2, 2] = 12.0, 15.0, 15.0, 31.0
    shaped = shape_table(base, ceiling, floor=floor)
    assert [(b.where, b.si.spark, b.si.floor, b.si.spark_before) for b in shaped.below_floor] == [
        ("800 rpm, 10 percent", 12.0, 15.0, 30.0),
        ("800 rpm, 20 percent", 12.0, 15.0, 30.0),
        ("1200 rpm, 30 percent", 18.0, 31.0, 30.0),
    ]
    assert np.array_equal(shaped.table.si.cells, shape_table(base, ceiling).table.si.cells)


SLOPES = {"along_load": "1 crank_deg/percent", "along_speed": "40 crank_deg/krpm", "per_cell": "3 crank_deg"}


def test_cells_that_spark_does_not_cure_are_lowered_by_the_slopes_alone() -> None:
    base = table_of(np.full((2, 4), 30.0))
    ceiling = np.array([[24.0, 24.0, 10.0, np.nan], [np.nan, np.nan, np.nan, np.nan]])
    uncured = np.array([[True, True, False, False], [False] * 4])
    assert shape_table(base, ceiling, **SLOPES).table.si.cells[0].tolist() == [16.0, 13.0, 10.0, 10.0]
    # 10 per cent apart: 10 degrees by the slope; 200 rpm apart: 8 degrees.
    held = shape_table(base, ceiling, uncured=uncured, **SLOPES).table
    assert held.si.cells.tolist() == [[24.0, 20.0, 10.0, 10.0], [19.0, 16.0, 13.0, 13.0]]
    # Adding back knows them too: without them the table is too steep to begin from.
    same: dict[str, Any] = {"ceiling": ceiling, "visited": np.ones((2, 4), dtype=bool), **SLOPES}
    assert np.array_equal(add_back(held, base, uncured=uncured, **same).table.si.cells, held.si.cells)
    with pytest.raises(InputError, match="current table"):
        add_back(held, base, **same)


@pytest.mark.parametrize("missing", ["along_speed", "along_load"])
def test_uncured_cells_need_the_slopes_that_hold_beside_them(missing: str) -> None:
    base = table_of(np.full((2, 2), 30.0))
    with pytest.raises(InputError, match=missing):
        shape_table(base, np.full((2, 2), 20.0), uncured=np.ones((2, 2), dtype=bool), **{key: value for key, value in SLOPES.items() if key != missing})


@given(data=st.data())
def test_uncured_cells_never_lower_more_and_settle_at_once(data: st.DataObject) -> None:
    angles, truths = arrays(float, (3, 4), elements=st.integers(0, 40).map(float)), arrays(bool, (3, 4))
    base, ceiling, uncured = table_of(data.draw(angles)), data.draw(angles), data.draw(truths)
    ceiling[data.draw(truths)] = np.nan
    strict = shape_table(base, ceiling, **SLOPES)
    shaped = shape_table(base, ceiling, uncured=uncured, **SLOPES)
    assert (shaped.table.si.cells >= strict.table.si.cells).all()
    assert np.array_equal(shape_table(shaped.table, ceiling, uncured=uncured, **SLOPES).table.si.cells, shaped.table.si.cells)


def test_a_ceiling_may_come_as_a_quantity() -> None:
    base = table_of(np.full((2, 2), 30.0))
    ceiling = base.with_spark(np.full((2, 2), 21.0)).cells
    assert (shape_table(base, ceiling).table.si.cells == 21.0).all()
    assert (shape_table(base, ceiling.to("cam_deg")).table.si.cells == 21.0).all()


def test_the_result_shows_grid_changes_rim_slopes_and_what_it_applies_to() -> None:
    base = table_of([[30.0, 30.0, 30.0], [30.0, 30.0, 33.0], [30.0, 24.0, 40.0]])
    ceiling = np.full((3, 3), np.nan)
    ceiling[0, 0] = 21.5
    shaped = shape_table(base, ceiling, floor=np.full((3, 3), 22.0))
    text = shaped_full(shaped)
    assert "final spark" in text
    grid = [line for line in text.splitlines() if line.startswith(("(2)", "(3)", "(4)"))]
    assert [line.split() for line in grid] == [
        ["(2)", "800", "21*", "21~", "21~"],
        ["(3)", "1000", "24~", "24~", "24~"],
        ["(4)", "1200", "27~", "24", "24~"],
    ]
    assert "800 rpm, 10 percent      " in text
    assert "21 (was 30)" in text
    assert "Later than the latest useful spark at 800 rpm, 10 percent: 21, latest useful 22 deg BTDC." in text
    slopes = {(s.of, s.when): s for s in shaped.slopes}
    whole, zone = Neighbours.ALL, Neighbours.TOUCH_THE_ZONE
    assert slopes[whole, When.BEFORE].si.per_cell == 16.0
    assert slopes[whole, When.BEFORE].along_speed.magnitude == pytest.approx(35.0, rel=1e-12)
    assert slopes[whole, When.BEFORE].si.along_load == pytest.approx(16.0, rel=1e-12)
    assert slopes[zone, When.BEFORE].si.per_cell == 0.0
    assert slopes[zone, When.AFTER].along_speed.magnitude == pytest.approx(15.0, rel=1e-12)
    data = shaped.to_dict()
    assert data["applies_to"]["code"] == "final_spark"
    assert len(data["changes"]) == 8
    assert len(data["rim"]) == 7
    assert data["table"]["spark"]["value"][0] == [21.0, 21.0, 21.0]


def test_a_cell_to_be_avoided_is_never_raised_towards_its_knock() -> None:
    """The least spark is as far as such a cell comes down, not as far as it may climb."""
    cells = np.array([[2.0, 2.0], [2.0, -6.0], [2.0, 2.0]])
    base = SparkTable(load_kind="manifold pressure", speed=np.array([1000.0, 1500.0, 2000.0]) / 60.0, loads=np.array([4e4, 9e4]), cells=cells, increment=1.0)
    knock = np.full((3, 2), 30.0)
    knock[1, 1] = -4.0
    none, best = np.full((3, 2), np.nan), np.full((3, 2), 40.0)
    raised = shape_table(base, none, knock=knock, allow_raise="8 crank_deg", best=best, per_cell="3 crank_deg", zone=np.ones((3, 2), dtype=bool))
    assert raised.table.si.cells[1, 1] <= -6.0
    # Where knock was not computed nothing rises either.
    unknown = np.full((3, 2), np.nan)
    assert shape_table(base, none, knock=unknown, allow_raise="8 crank_deg", best=best, per_cell="30 crank_deg").table.si.cells.tolist() == cells.tolist()
