"""Shaping a spark table: the least change that meets ceilings and knock and leaves no steep neighbours in the zone; adding back after a clean log.

Ceilings are for final spark: table plus every correction. Where adders stand on top of the table, take them off the ceilings first.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..cycle.best_torque import spark_ends
from ..errors import InputError, InputErrors
from ..units import to_si
from .hazards import knock_cells, load_rises
from .programme import Conflict, Mask, Whole, angles_of, binding, conflicts, largest, nearest, ticks_of
from .shaped import BelowFloor, CellChange, Reason, ShapedTable, steepest
from .shaping_task import PER_CELL, STEP, Knock, SlopeLimits, Task, angles_on, knock_of, mask_on, task_of
from .table import EARLIEST, SparkTable

__all__ = ["KNOCK_MARGIN", "LEAST_SPARK", "PER_CELL", "RAISE_MARGIN", "STEP_BACK", "ShapedTable", "add_back", "shape_table"]

Array = NDArray[np.float64]

# How far under best torque a cell that is raised stays; ESTIMATE.
RAISE_MARGIN = "2 crank_deg"
# How far under the knock limit a cell is brought; ESTIMATE, as ``[limits] spark_margin`` of a sheet.
KNOCK_MARGIN = "2 crank_deg"
# Knock brings no cell below this: an engine that needs less is driven where no spark serves; ESTIMATE.
LEAST_SPARK = "0 crank_deg"
# How much spark one clean log gives back; common practice, no source.
STEP_BACK = "2 crank_deg"


def shape_table(
    base: SparkTable,
    ceiling: Any,
    *,
    zone: Any = None,
    along_speed: Any = None,
    along_load: Any = None,
    per_cell: Any = None,
    increment: Any = None,
    locked: Any = None,
    floor: Any = None,
    uncured: Any = None,
    knock: Any = None,
    hold_knock: bool = True,
    knock_margin: Any = KNOCK_MARGIN,
    least_spark: Any = LEAST_SPARK,
    allow_raise: Any = "0 crank_deg",
    best: Any = None,
    raise_margin: Any = RAISE_MARGIN,
) -> ShapedTable:
    """Return the least change to a spark table that keeps it under its ceilings and its knock limit, and its neighbours close in the zone.

    Parameters
    ----------
    base : SparkTable
    ceiling : quantity or array [crank deg before top dead centre], shape (speeds, loads)
        Most spark of each cell; not-a-number where there is no ceiling. Outside the zone it does not count.
    zone : mask, on the table's cells
        Cells where ceilings and slope limits hold; those with a ceiling when left out.
    along_speed : quantity [crank angle per crank speed]
        Slope limit along speed, e.g. ``"15 crank_deg/krpm"``: that of the car, from ``camcalc.drive.slope_rule``.
    along_load : quantity [crank angle per load]
        Slope limit along load, e.g. ``"0.5 crank_deg/kPa"``, ``"30 crank_deg/g"``, ``"0.5 crank_deg/percent"``.
    per_cell : quantity [crank angle]
        Limit per cell whatever the spacing; the least of it and the slope limits holds. Left out: none, but 3 degrees (common
        practice, no source) along an axis without a slope limit.
    increment : quantity [crank angle]
        Step that changed numbers keep to; the table's own when left out.
    locked : mask, on the table's cells
        Cells that must keep their number.
    floor : quantity or array [crank deg before top dead centre], shape (speeds, loads)
        Spark below which the burn is too late. Cells that end below it are listed.
    uncured : mask, on the table's cells
        Cells that spark does not cure, beside which ``per_cell`` gives way: only the slope limits lower them then. Needs
        ``along_speed`` and ``along_load``.
    knock : quantity or array [crank deg before top dead centre], shape (speeds, loads)
        Knock limit of each cell, in the zone or out of it; infinite where nothing searched knocks, not-a-number where it was not
        computed. Cells above it are listed.
    hold_knock : bool
        Whether cells come down to the knock limit less ``knock_margin``.
    knock_margin : quantity [crank angle]
        2 degrees: ESTIMATE.
    least_spark : quantity [crank deg before top dead centre]
        Knock brings no cell below this. Cells where it asks for less are listed: no spark serves there. 0 degrees: ESTIMATE.
    allow_raise : quantity [crank angle]
        How far cells may rise above the base table.
    best : quantity or array [crank deg before top dead centre], shape (speeds, loads)
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
    For neighbouring cells i, j along speed or load let d_ij be the slope limit times the spacing, and ``per_cell`` if that is given and
    less; the slope limit alone where either cell is among ``uncured``; where neither cell is in the zone, |BASE_i - BASE_j| or |K_i - K_j| if
    that is more. K is BASE brought down for knock and for spark that rises with load alone, so that this lowers nobody else outside the zone.
    NEW is the largest table with

    - NEW_i <= BASE_i everywhere, NEW_i <= ceiling_i in the zone, NEW_i = BASE_i in locked cells,
    - NEW_i <= max(knock_i - margin, least spark) where knock is held,
    - |NEW_i - NEW_j| <= d_ij for all neighbours,
    - NEW_j <= NEW_i where j is the next fuller load to i at one speed, from the first cell of the row on that is in the zone, above its
      knock limit less the margin (from its lighter neighbour on, then), or changed; elsewhere in the row NEW rises as BASE does,
    - NEW_i = BASE_i or a multiple of the increment.

    Largest in every cell at once: such tables are closed under the cell-by-cell maximum (a row changed in the maximum of two tables is
    changed in both, from no fuller a cell on). Without locked cells there is always one, since a level table low enough meets everything. Where
    all of BASE is on multiples it is the lower envelope NEW_i = min_j (bound_j + least sum of limits from j to i), bounds and limits rounded
    down to the increment. Shaping twice equals once.

    With ``allow_raise`` = N > 0, NEW_i <= max(BASE_i, min(BASE_i + N, best_i - margin)) takes the place of NEW_i <= BASE_i, and NEW has
    the least sum of |NEW_i - BASE_i|; of several such tables, the one with the least spark. It is a linear programme
    with whole vertices as long as BASE is on multiples of the increment, which is asked for. It is solved again with each row that it changes
    held from rising with load, until no more rows change; where lowering alone changes less in all, that is taken.

    Examples
    --------
    >>> axes = {"load_kind": "manifold pressure", "speed": np.array([20.0, 25.0, 30.0]), "loads": [40e3, 60e3]}
    >>> base = SparkTable(**axes, cells=np.array([[20.0, 20.0], [30.0, 28.0], [32.0, 30.0]]), increment=1.0)
    >>> shaped = shape_table(base, np.array([[np.nan, np.nan], [22.0, np.nan], [np.nan, np.nan]]))
    >>> shaped.table.si.cells.tolist()
    [[20.0, 20.0], [22.0, 22.0], [25.0, 25.0]]
    >>> [[reason.code for reason in change.reasons] for change in shaped.changes][:2]
    [['ceiling'], ['rise']]
    >>> held = shape_table(base, np.full((3, 2), np.nan), knock=np.array([[30.0, 12.0], [np.inf, 30.0], [np.inf, np.nan]]))
    >>> held.table.si.cells.tolist(), [cell.where for cell in held.knock_cells]
    ([[20.0, 10.0], [30.0, 28.0], [32.0, 30.0]], ['1200 rpm, 60 kPa'])
    """
    slopes = SlopeLimits(along_speed, along_load, per_cell)
    known = knock_of(knock, base, margin=knock_margin, least_spark=least_spark)
    task = task_of(base, ceiling, slopes, zone=zone, increment=increment, floor=floor, uncured=uncured, knock=known, hold_knock=hold_knock)
    fixed = mask_on(locked, "locked", base)
    rise = float(to_si(allow_raise, "allow_raise", STEP))
    start = ticks_of(base.si.cells)
    brought, _ = _largest(task.without_slopes(), np.minimum(start, ticks_of(task.held)), (start,), np.zeros_like(fixed))
    task = task.with_slopes_of(start, brought)
    if rise == 0.0:
        return _shaped(*_largest(task, np.minimum(start, task.most), (start,), fixed))
    _check_on_increment(base, start, fixed, task.increment)
    if best is None:
        raise InputError(
            "best", came="nothing", expected="best-torque spark on the table's cells, since cells may rise", fix="give best, or leave allow_raise out"
        )
    limit = np.minimum(_room_to_rise(base, base.si.cells + rise, best, raise_margin), _under_knock(known))
    upper = np.minimum(np.where(fixed, start, np.maximum(start, ticks_of(limit))), task.most)
    return _shaped(*_nearest(task, upper, start, fixed))


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
    per_cell: Any = None,
    increment: Any = None,
    uncured: Any = None,
    knock: Any = None,
    knock_margin: Any = KNOCK_MARGIN,
    least_spark: Any = LEAST_SPARK,
    best: Any = None,
    raise_margin: Any = RAISE_MARGIN,
) -> ShapedTable:
    """Return a table that gives spark back where a log was clean.

    Parameters
    ----------
    current : SparkTable
        The table that was driven.
    original : SparkTable
        The table before any shaping; nothing rises above it.
    ceiling : quantity or array [crank deg before top dead centre], shape (speeds, loads)
        As for ``shape_table``.
    visited : mask, on the table's cells
        Cells that the log visited without surge and without knock. All others stay.
    step : quantity [crank angle]
        Most that a cell may rise. 2 degrees: common practice, no source.
    zone, uncured : mask, on the table's cells
        As for ``shape_table``; a table shaped with ``uncured`` cells needs the same ones here.
    along_speed : quantity [crank angle per crank speed]
        As for ``shape_table``.
    along_load : quantity [crank angle per load]
        As for ``shape_table``.
    per_cell, increment : quantity [crank angle]
        As for ``shape_table``.
    knock_margin : quantity [crank angle]
        As for ``shape_table``.
    least_spark : quantity [crank deg before top dead centre]
        As for ``shape_table``.
    knock : quantity or array [crank deg before top dead centre], shape (speeds, loads)
        As for ``shape_table``. Where knock is given no cell rises above it less the margin, and none whose knock was not computed rises at all.
        A cell that is above it already stays, and is listed.
    best : quantity or array [crank deg before top dead centre], shape (speeds, loads)
        As for ``shape_table``; where given, no cell rises above it less the margin.
    raise_margin : quantity [crank angle]
        As for ``shape_table``.

    Returns
    -------
    ShapedTable
        With ``current`` as its base.

    Raises
    ------
    InputError, InputErrors
        If the tables have different axes, or the current one is above its ceilings, too steep between cells that stay, or rises with load
        from the zone on.

    Notes
    -----
    NEW is the largest table with NEW_i <= min(CURRENT_i + step, ceiling_i, ORIGINAL_i, knock_i - margin, best_i - margin) in visited cells
    (CURRENT_i where that is less: a cell already above the original table stays), NEW_i = CURRENT_i in all others, neighbours within the limits
    of ``shape_table`` (outside the zone they may differ as in CURRENT or ORIGINAL), and numbers of CURRENT, of ORIGINAL or on multiples of
    the increment. Along load NEW rises nowhere that CURRENT does not. No cell falls.

    Examples
    --------
    >>> axes = {"load_kind": "manifold pressure", "speed": np.array([20.0, 25.0]), "loads": [40e3, 60e3]}
    >>> base = SparkTable(**axes, cells=np.full((2, 2), 30.0), increment=1.0)
    >>> low = base.with_spark(np.full((2, 2), 20.0))
    >>> back = add_back(low, base, ceiling=np.full((2, 2), 25.0), visited=np.array([[True, False], [False, False]]), step="4 crank_deg")
    >>> back.table.si.cells.tolist()
    [[23.0, 20.0], [20.0, 20.0]]
    """
    _check_same_axes(current, original)
    known = knock_of(knock, current, margin=knock_margin, least_spark=least_spark)
    slopes = SlopeLimits(along_speed, along_load, per_cell)
    task = task_of(current, ceiling, slopes, zone=zone, increment=increment, uncured=uncured, knock=known, hold_knock=False)
    now, before = ticks_of(current.si.cells), ticks_of(original.si.cells)
    task = _without_new_rises(task.with_slopes_of(before, now), now, before)
    over = np.argwhere(now > task.top)
    if over.size:
        row, column = over[0]
        came = f"{current.si.cells[row, column]:g} crank deg at {current.place(row, column)}"
        raise InputError("the current table", came=came, expected=f"at most its ceiling of {task.ceiling[row, column]:g}", fix="shape the table first")
    rise = ticks_of(to_si(step, "step", STEP))
    upper = np.minimum(np.minimum(now + rise, before), task.top)
    upper = np.minimum(upper, ticks_of(_under_knock(known)))
    if best is not None:
        upper = np.minimum(upper, ticks_of(_room_to_rise(current, np.inf, best, raise_margin)))
    seen = mask_on(visited, "visited", current)
    new, task = _largest(task, np.where(seen, np.maximum(now, upper), now), (now, before), ~seen)
    if (new < now).any():
        row, column = np.argwhere(new < now)[0]
        raise InputError(
            "the current table",
            came=f"a neighbour too far from {current.place(row, column)}",
            expected="slopes within their limits, and no rise with load from the zone on",
            fix="shape the table first",
        )
    return _shaped(new, task, reason=Reason.ADDED_BACK)


def _under_knock(known: Knock | None) -> Any:
    """Return the most spark of cells that rise: under knock by the margin; none where knock was not computed."""
    return np.inf if known is None else np.where(np.isnan(known.limit), -np.inf, known.limit - known.margin)


def _room_to_rise(table: SparkTable, most: Any, best: Any, margin: Any) -> Array:
    """Return the most spark of cells that rise: under best torque by the margin; none where that is not known."""
    under = angles_on(best, "best", table) - float(to_si(margin, "raise_margin", STEP))
    return np.minimum(np.where(np.isfinite(under), np.minimum(most, under), -np.inf), EARLIEST)


def _without_new_rises(task: Task, now: Whole, before: Whole) -> Task:
    """Return the task for adding back: spark rises with load only where it does in the current table, and no further than in the original."""
    own, original = np.diff(now, axis=1), np.diff(before, axis=1)
    return dataclasses.replace(task, limits=task.limits._replace(rising=np.where(own > 0, np.maximum(own, original), 0)))


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


def _largest(task: Task, upper: Whole, kept: tuple[Whole, ...], locked: Mask) -> tuple[Whole, Task]:
    """Return the largest table and the task with the rows it changes held from rising; or raise with every locked cell that cannot stay.

    Each pass lies over the table that is asked for, so a row that a pass changes is changed there too, from no fuller a cell on.
    """
    while True:
        limits = task.limits.level_from(task.firm)
        new, holder = largest(upper, kept, locked, limits, task.increment)
        found = [_conflict_error(task, new, kept[0], locked, c) for c in conflicts(new, holder, upper, locked, limits)]
        if found:
            raise found[0] if len(found) == 1 else InputErrors(found)
        firm = task.firm | (new < kept[0])
        if _same_rows(firm, task.firm):
            return new, dataclasses.replace(task, limits=limits)
        task = dataclasses.replace(task, firm=firm)


def _nearest(task: Task, upper: Whole, base: Whole, locked: Mask) -> tuple[Whole, Task]:
    """Return the table of least change, solved until no more rows change, and the task with those rows held from rising.

    Raising may draw in rows that lowering alone leaves as they are: where that changes less in all, it is taken.
    """
    try:
        lowered = [_largest(task, np.minimum(upper, base), (base,), locked)]
    except (InputError, InputErrors):  # a locked cell may need a neighbour that rises
        lowered = []
    while True:
        _largest(task, upper, (base,), locked)
        limits = task.limits.level_from(task.firm)
        new = nearest(base, upper, locked, limits, task.increment)
        firm = task.firm | (new != base)
        if _same_rows(firm, task.firm):
            return min([(new, dataclasses.replace(task, limits=limits)), *lowered], key=lambda found: int(np.abs(found[0] - base).sum()))
        task = dataclasses.replace(task, firm=firm)


def _same_rows(one: Mask, other: Mask) -> bool:
    """Whether two masks begin at the same cells of their rows."""
    return bool((np.logical_or.accumulate(one, axis=1) == np.logical_or.accumulate(other, axis=1)).all())


def _conflict_error(task: Task, new: Whole, base: Whole, locked: Mask, found: Conflict) -> InputError:
    place, by = task.table.place, found.held_by
    key = f"locked cell at {place(*found.cell)}"
    came = f"{angles_of(new[found.cell]):g} crank deg, to be kept"
    most = f"{found.most / 1e9:g}"
    if found.neighbour is None:
        knocks = ticks_of(task.held)[found.cell] < task.top[found.cell]
        bound, fix = ("the knock limit less its margin", "unlock it") if knocks else ("its ceiling", "unlock it, or raise its ceiling")
        return InputError(key, came=came, expected=f"at most {most}, {bound}", fix=fix)
    if by == found.cell:
        why = "the increment leaves its neighbour no number in between"
    elif locked[by]:
        why = f"the cell at {place(*by)} is locked at {angles_of(base[by]):g}"
    elif np.isfinite(task.ceiling[by]) and task.top[by] < base[by]:
        why = f"the ceiling at {place(*by)} is {task.ceiling[by]:g}"
    else:
        why = f"the cell at {place(*by)} has no more than {angles_of(new[by]):g}"
    lighter = (found.cell[0], found.cell[1] - 1)
    if found.neighbour == lighter and task.limits.level_from(task.firm).rising[lighter] == 0:
        why += "; spark does not rise with load here"
    expected = f"at most {most} beside {place(*found.neighbour)}: {why}"
    return InputError(key, came=came, expected=expected, fix="unlock one of them, or allow a steeper slope")


def _shaped(new: Whole, task: Task, *, reason: Reason | None = None) -> ShapedTable:
    table, base = task.table, ticks_of(task.table.si.cells)
    cells = np.where(new == base, table.si.cells, angles_of(new))
    reasons = _reasons(task, base, new)
    changes = tuple(
        CellChange(
            row=int(r),
            column=int(c),
            where=table.place(r, c),
            spark_before=float(table.si.cells[r, c]),
            spark_after=float(cells[r, c]),
            in_zone=bool(task.zone[r, c]),
            reasons=(reason,) if reason else tuple(why for why, holds in reasons.items() if holds[r, c]),
        )
        for r, c in np.argwhere(new != base)
    )
    shaped = table.with_spark(cells)
    knock = task.knock
    return ShapedTable(
        base=table,
        table=shaped,
        changes=changes,
        below_floor=_below_floor(task, cells),
        slopes=steepest(table, shaped, task.zone),
        zone=task.zone,
        knock_cells=() if knock is None else knock_cells(table, shaped, knock),
        knock_known=None if knock is None else ~np.isnan(knock.limit),
        knock_margin=None if knock is None else knock.margin,
        least_spark=None if knock is None else knock.least,
        rises=load_rises(shaped),
        fallbacks=task.fallbacks,
    )


def _below_floor(task: Task, cells: Array) -> tuple[BelowFloor, ...]:
    """Return the cells whose burn is too late."""
    table = task.table
    floor = np.full(table.shape, np.nan) if task.floor is None else task.floor
    late = np.argwhere(ticks_of(cells) < ticks_of(np.where(np.isnan(floor), -np.inf, floor)))
    return tuple(
        BelowFloor(
            row=int(r),
            column=int(c),
            where=table.place(r, c),
            spark=float(cells[r, c]),
            floor=float(floor[r, c]),
            spark_before=float(table.si.cells[r, c]),
            marks={"floor": spark_ends(float(floor[r, c]))},
        )
        for r, c in late
    )


def _reasons(task: Task, base: Whole, new: Whole) -> dict[Reason, Mask]:
    """Return for each reason the cells that changed for it: all that were above a bound, and what holds those down that fell further."""
    held = ticks_of(task.held)
    over, knocks = base > task.top, base > held
    further = (new < base) & (new < np.minimum(np.where(over, task.top, base), np.where(knocks, held, base)) // task.increment * task.increment)
    further |= (new < base) & ~over & ~knocks
    steep, rises = binding(new, task.limits, task.increment)
    return {
        Reason.CEILING: over,
        Reason.KNOCK: knocks,
        Reason.SLOPE: further & (steep | ~rises),
        Reason.RISE: further & rises,
        Reason.RAISED: new > base,
    }
