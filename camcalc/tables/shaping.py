"""Shaping a spark table: the least change that meets ceilings and leaves no steep neighbours in the zone; and adding back after a clean log.

Ceilings are for FINAL spark: table plus every adder. Where adders stand on top of the table, take them off the ceilings first.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError, InputErrors
from ..units import to_si
from .programme import Conflict, Mask, Whole, angles_of, conflicts, largest, nearest, ticks_of
from .shaped import BelowFloor, CellChange, ShapedTable, steepest
from .shaping_task import STEP, Task, angles_on, mask_on, task_of
from .table import EARLIEST, SparkTable

__all__ = ["PER_CELL", "RAISE_MARGIN", "STEP_BACK", "ShapedTable", "add_back", "shape_table"]

Array = NDArray[np.float64]

# Most difference between neighbouring cells that touch the zone; common practice, no source.
PER_CELL = "3 crank_deg"
# How far under best torque a cell that is raised stays; ESTIMATE.
RAISE_MARGIN = "2 crank_deg"
# How much spark one clean log gives back; common practice, no source.
STEP_BACK = "2 crank_deg"

ABOVE_CEILING, SLOPE = "above the ceiling", "slope to a neighbour"
RAISED, ADDED_BACK = "raised, so that neighbours fall less", "visited without surge"


def shape_table(
    base: SparkTable,
    ceiling: Any,
    *,
    zone: Any = None,
    along_speed: Any = None,
    along_load: Any = None,
    per_cell: Any = PER_CELL,
    increment: Any = None,
    locked: Any = None,
    floor: Any = None,
    uncured: Any = None,
    allow_raise: Any = "0 crank_deg",
    best: Any = None,
    raise_margin: Any = RAISE_MARGIN,
) -> ShapedTable:
    """Return the least change to a spark table that keeps it under its ceilings and its neighbours close in the zone.

    Parameters
    ----------
    base : SparkTable
    ceiling : quantity or array [crank deg before top dead centre], on the table's cells
        Most spark of each cell; not-a-number where there is no ceiling. Outside the zone it does not count.
    zone : array of bool
        Cells where ceilings and slope limits hold; those with a ceiling when left out.
    along_speed : quantity [crank angle per crank speed]
        Slope limit along speed, e.g. ``"15 crank_deg/krpm"``.
    along_load : quantity [crank angle per load]
        Slope limit along load, e.g. ``"0.5 crank_deg/kPa"``, ``"30 crank_deg/g"``, ``"0.5 crank_deg/percent"``.
    per_cell : quantity [crank angle]
        Limit per cell whatever the spacing; the least of it and the slope limits holds. 3 degrees: common practice, no source.
    increment : quantity [crank angle]
        Step that changed numbers keep to; the table's own when left out.
    locked : array of bool
        Cells that must keep their number.
    floor : quantity or array [crank deg before top dead centre]
        Spark below which the burn is too late. Cells that end below it are listed.
    uncured : array of bool
        Cells that spark does not cure, beside which ``per_cell`` gives way: only the slope limits lower them then. Needs
        ``along_speed`` and ``along_load``.
    allow_raise : quantity [crank angle]
        How far cells may rise above the base table.
    best : quantity or array [crank deg before top dead centre]
        Best-torque spark, needed where cells may rise; where it is not-a-number a cell does not rise.
    raise_margin : quantity [crank angle]
        How far under best torque a raised cell stays. 2 degrees: ESTIMATE.

    Returns
    -------
    ShapedTable

    Raises
    ------
    InputError, InputErrors
        If locked cells leave no such table: says which, and what they conflict with.

    Notes
    -----
    For neighbouring cells i, j along speed or load let d_ij be the slope limit times the spacing, or ``per_cell`` if that is
    less; where neither cell is in the zone, |BASE_i - BASE_j| if that is more; the slope limit alone where
    either cell is among ``uncured``. NEW is the largest table with

    - NEW_i <= BASE_i everywhere, NEW_i <= ceiling_i in the zone, NEW_i = BASE_i in locked cells,
    - |NEW_i - NEW_j| <= d_ij for all neighbours,
    - NEW_i = BASE_i or a multiple of the increment.

    Largest in every cell at once: such tables are closed under the cell-by-cell maximum. Without locked cells there is always
    one, since a level table low enough meets everything. Where all of BASE is on multiples it is the lower envelope
    NEW_i = min_j (bound_j + least sum of d from j to i), bounds and d rounded down to the increment. Shaping twice equals once.

    With ``allow_raise`` = N > 0, NEW_i <= max(BASE_i, min(BASE_i + N, best_i - margin)) takes the place of NEW_i <= BASE_i, and NEW has
    the least sum of |NEW_i - BASE_i|; of several such tables, the one with the least spark. It is a linear programme
    with whole vertices as long as BASE is on multiples of the increment, which is asked for.

    Examples
    --------
    >>> axes = {"load_kind": "relative charge", "speed": np.array([20.0, 25.0, 30.0]), "loads": [0.2, 0.4]}
    >>> base = SparkTable(**axes, cells=np.array([[20.0, 20.0], [30.0, 28.0], [32.0, 30.0]]), increment=1.0)
    >>> shaped = shape_table(base, np.array([[np.nan, np.nan], [22.0, np.nan], [np.nan, np.nan]]))
    >>> shaped.table.si.cells.tolist()
    [[20.0, 20.0], [22.0, 25.0], [25.0, 28.0]]
    >>> [change.reason for change in shaped.changes][:2]
    ['above the ceiling', 'slope to a neighbour']
    """
    task = task_of(base, base, ceiling, zone, along_speed, along_load, per_cell, increment, floor, uncured)
    fixed = mask_on(locked, "locked", base)
    rise = float(to_si(allow_raise, "allow_raise", STEP))
    start, top = ticks_of(base.si.cells), task.top
    if rise == 0.0:
        new = _largest(task, np.minimum(start, top), (start,), fixed)
        return _shaped(task, new)
    _check_on_increment(base, start, fixed, task.increment)
    if best is None:
        raise InputError(
            "best", came="nothing", expected="best-torque spark on the table's cells, since cells may rise", fix="give best, or leave allow_raise out"
        )
    safe = angles_on(best, "best", base) - float(to_si(raise_margin, "raise_margin", STEP))
    limit = np.where(np.isfinite(safe), np.minimum(base.si.cells + rise, safe), -np.inf)
    upper = np.minimum(np.where(fixed, start, np.maximum(start, ticks_of(np.minimum(limit, EARLIEST)))), top)
    _largest(task, upper, (start,), fixed)
    return _shaped(task, nearest(start, upper, fixed, task.limits, task.increment))


def add_back(
    current: SparkTable,
    original: SparkTable,
    *,
    ceiling: Any,
    visited: Any,
    step: Any = STEP_BACK,
    zone: Any = None,
    along_speed: Any = None,
    along_load: Any = None,
    per_cell: Any = PER_CELL,
    increment: Any = None,
    uncured: Any = None,
) -> ShapedTable:
    """Return a table that gives spark back where a log was clean.

    Parameters
    ----------
    current : SparkTable
        The table that was driven.
    original : SparkTable
        The table before any shaping; nothing rises above it.
    ceiling, zone, along_speed, along_load, per_cell, increment, uncured
        As for ``shape_table``; a table shaped with ``uncured`` cells needs the same ones here.
    visited : array of bool
        Cells that the log visited without surge. All others stay.
    step : quantity [crank angle]
        Most that a cell may rise. 2 degrees: common practice, no source.

    Returns
    -------
    ShapedTable
        With ``current`` as its base.

    Raises
    ------
    InputError, InputErrors
        If the tables have different axes, or the current one is above its ceilings or too steep between cells that stay.

    Notes
    -----
    NEW is the largest table with NEW_i <= min(CURRENT_i + step, ceiling_i, ORIGINAL_i) in visited cells (CURRENT_i where
    that is less: a cell already above the original table stays), NEW_i = CURRENT_i in all others, neighbours within the limits
    of ``shape_table``, and numbers of CURRENT, of ORIGINAL or on multiples of the increment. No cell falls.

    Examples
    --------
    >>> axes = {"load_kind": "relative charge", "speed": np.array([20.0, 25.0]), "loads": [0.2, 0.4]}
    >>> base = SparkTable(**axes, cells=np.full((2, 2), 30.0), increment=1.0)
    >>> low = base.with_spark(np.full((2, 2), 20.0))
    >>> back = add_back(low, base, ceiling=np.full((2, 2), 25.0), visited=np.array([[True, False], [False, False]]), step="4 crank_deg")
    >>> back.table.si.cells.tolist()
    [[23.0, 20.0], [20.0, 20.0]]
    """
    _check_same_axes(current, original)
    task = task_of(current, original, ceiling, zone, along_speed, along_load, per_cell, increment, None, uncured)
    now, before = ticks_of(current.si.cells), ticks_of(original.si.cells)
    over = np.argwhere(now > task.top)
    if over.size:
        row, column = over[0]
        came = f"{current.si.cells[row, column]:g} crank deg at {current.place(row, column)}"
        raise InputError("the current table", came=came, expected=f"at most its ceiling of {task.ceiling[row, column]:g}", fix="shape the table first")
    rise = ticks_of(to_si(step, "step", STEP))
    upper = np.maximum(now, np.minimum(np.minimum(now + rise, before), task.top))
    seen = mask_on(visited, "visited", current)
    new = _largest(task, np.where(seen, upper, now), (now, before), ~seen)
    if (new < now).any():
        row, column = np.argwhere(new < now)[0]
        raise InputError(
            "the current table",
            came=f"a neighbour too far from {current.place(row, column)}",
            expected="slopes within their limits",
            fix="shape the table first",
        )
    return _shaped(task, new, reason=ADDED_BACK)


def _check_on_increment(base: SparkTable, start: Whole, fixed: Mask, increment: int) -> None:
    off = np.argwhere(~fixed & (start % increment != 0))
    if off.size:
        row, column = off[0]
        raise InputError(
            "increment",
            came=f"{increment / 1e9:g} crank deg; {base.si.cells[row, column]:g} at {base.place(row, column)} is no multiple of it",
            expected="an increment that every cell is a multiple of, since cells may rise",
            fix='give a finer one, e.g. increment="0.01 crank_deg", or leave allow_raise out',
        )


def _check_same_axes(current: SparkTable, original: SparkTable) -> None:
    same = current.load_kind == original.load_kind and current.shape == original.shape
    if not same or not np.allclose(current.si.speed, original.si.speed, rtol=1e-9) or not np.allclose(current.loads, original.loads, rtol=1e-9, atol=0.0):
        raise InputError(
            "original", came="a table with other axes", expected="the axes of the current table", fix="give the table that the current one was shaped from"
        )


def _largest(task: Task, upper: Whole, kept: tuple[Whole, ...], locked: Mask) -> Whole:
    """Return the largest table, or raise with every locked cell that cannot stay."""
    new, holder = largest(upper, kept, locked, task.limits, task.increment)
    found = [_conflict_error(task, new, kept[0], locked, c) for c in conflicts(new, holder, upper, locked, task.limits)]
    if found:
        raise found[0] if len(found) == 1 else InputErrors(found)
    return new


def _conflict_error(task: Task, new: Whole, base: Whole, locked: Mask, found: Conflict) -> InputError:
    place, by = task.table.place, found.held_by
    key = f"locked cell at {place(*found.cell)}"
    came = f"{angles_of(new[found.cell]):g} crank deg, to be kept"
    most = f"{found.most / 1e9:g}"
    if found.neighbour is None:
        return InputError(key, came=came, expected=f"at most {most}, its ceiling", fix="unlock it, or raise its ceiling")
    if by == found.cell:
        why = "the increment leaves its neighbour no number in between"
    elif locked[by]:
        why = f"the cell at {place(*by)} is locked at {angles_of(base[by]):g}"
    elif np.isfinite(task.ceiling[by]) and task.top[by] < base[by]:
        why = f"the ceiling at {place(*by)} is {task.ceiling[by]:g}"
    else:
        why = f"the cell at {place(*by)} has no more than {angles_of(new[by]):g}"
    expected = f"at most {most} beside {place(*found.neighbour)}: {why}"
    return InputError(key, came=came, expected=expected, fix="unlock one of them, or allow a steeper slope")


def _shaped(task: Task, new: Whole, *, reason: str = "") -> ShapedTable:
    table, base = task.table, ticks_of(task.table.si.cells)
    cells = np.where(new == base, table.si.cells, angles_of(new))
    bound = task.top // task.increment * task.increment
    changes = tuple(
        CellChange(
            row=int(r),
            column=int(c),
            where=table.place(r, c),
            spark_before=float(table.si.cells[r, c]),
            spark_after=float(cells[r, c]),
            in_zone=bool(task.zone[r, c]),
            reason=reason or _reason(int(base[r, c]), int(new[r, c]), int(task.top[r, c]), int(bound[r, c])),
        )
        for r, c in np.argwhere(new != base)
    )
    shaped = table.with_spark(cells)
    floor = np.full(table.shape, np.nan) if task.floor is None else task.floor
    late = np.argwhere(new < ticks_of(np.where(np.isnan(floor), -np.inf, floor)))
    below = tuple(
        BelowFloor(
            row=int(r), column=int(c), where=table.place(r, c), spark=float(cells[r, c]), floor=float(floor[r, c]), spark_before=float(table.si.cells[r, c])
        )
        for r, c in late
    )
    return ShapedTable(base=table, table=shaped, changes=changes, below_floor=below, slopes=steepest(table, shaped, task.zone), zone=task.zone)


def _reason(base: int, new: int, top: int, bound: int) -> str:
    if new > base:
        return RAISED
    if base <= top:
        return SLOPE
    return ABOVE_CEILING if new >= bound else f"{ABOVE_CEILING}, and {SLOPE}"
