"""The shaping programme on whole numbers: the largest table under its bounds, and the table nearest to another.

Neighbours along both axes may differ by a limit, and the fuller of two neighbours along load may be above the lighter by a limit of its own.
All angles are counted in ticks of a billionth of a degree, so that sums, differences and comparisons are exact.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import NoSolutionError

__all__ = ["TICKS", "Conflict", "Limits", "angles_of", "binding", "conflicts", "floored", "largest", "nearest", "ticks_of"]

Whole = NDArray[np.int64]
Mask = NDArray[np.bool_]

TICKS = 1e9
# Wider than any two sparks can be apart [deg], and far from overflow.
NO_LIMIT = 1e3
# A bound that is none, in increments.
_FAR = np.int64(2**40)


class Limits(NamedTuple):
    """How much neighbours may differ: along speed (one row less than the table) and along load (one column less), either way.

    ``rising`` is one-sided: how far the fuller of two neighbours along load may be above the lighter one; the lesser of it and
    ``along_load`` holds. Where it is 0 spark does not rise with load.
    """

    along_speed: Whole
    along_load: Whole
    rising: Whole

    def level_from(self, cells: Mask) -> Limits:
        """Return the limits with no rise along load from the first of some cells in each row on."""
        return self._replace(rising=np.where(np.logical_or.accumulate(cells, axis=1)[:, :-1], np.minimum(self.rising, 0), self.rising))


class Conflict(NamedTuple):
    """A locked cell that cannot keep its number: what it could have at most, which neighbour says so, and which cell holds that one down."""

    cell: tuple[int, int]
    most: int
    neighbour: tuple[int, int] | None
    held_by: tuple[int, int]


def ticks_of(angles: Any) -> Whole:
    """Return angles [deg] in ticks; one without end becomes one beyond any spark."""
    return np.rint(np.clip(angles, -NO_LIMIT, NO_LIMIT) * TICKS).astype(np.int64)


def angles_of(ticks: Whole) -> NDArray[np.float64]:
    """Return angles [deg]: the floats nearest to the decimal numbers that the ticks are."""
    return ticks / TICKS


def floored(bound: Whole, kept: tuple[Whole, ...], increment: int) -> Whole:
    """Return the largest number a cell may hold under a bound: a multiple of the increment, or one of the numbers it may keep."""
    out = bound // increment * increment
    for numbers in kept:
        out = np.where(numbers <= bound, np.maximum(out, numbers), out)
    return out


def largest(upper: Whole, kept: tuple[Whole, ...], locked: Mask, limits: Limits, increment: int) -> tuple[Whole, Whole]:
    """Return the largest table under its upper bounds, and for each cell the flat index of the cell that holds it down (itself, by its bound).

    Each limit says that one cell is no more than another and a constant; a limit both ways is two such. Tables that keep them and
    hold allowed numbers are closed under the cell-by-cell maximum: in either table the first cell is within reach of the second, so the larger
    of both first cells is within reach of the larger of both second cells. So there is a largest, and it is reached by lowering, from
    the bounds on, each cell to the largest allowed number within reach of its neighbours until nothing moves: no such step
    passes the largest table. Locked cells hold the first of ``kept`` and do not move; ``conflicts`` says whether they can stay.

    Parameters
    ----------
    upper : array of int, shape (speeds, loads) [ticks]
        Upper bound of each cell.
    kept : tuple of arrays of int, shape (speeds, loads) [ticks]
        Tables whose numbers a cell may keep off the increment; the first is the table that was.
    locked : mask
        Cells that hold their number.
    limits : Limits [ticks]
    increment : int [ticks]
    """
    table = np.where(locked, kept[0], floored(upper, kept, increment))
    holder = np.arange(table.size).reshape(table.shape)
    moving = True
    while moving:
        moving = False
        for here, there, limit in _pairs(limits):
            bound = table[there] + limit
            falls = (table[here] > bound) & ~locked[here]
            if falls.any():
                moving = True
                table[here] = np.where(falls, floored(bound, tuple(k[here] for k in kept), increment), table[here])
                holder[here] = np.where(falls, holder[there], holder[here])
    return table, holder


def conflicts(table: Whole, holder: Whole, upper: Whole, locked: Mask, limits: Limits) -> list[Conflict]:
    """Return the locked cells that cannot keep their numbers.

    Every feasible table lies under the result of ``largest``, so a locked cell out of its neighbours' reach there is so in all.

    Parameters
    ----------
    table : array of int, shape (speeds, loads) [ticks]
    holder : array of int, shape (speeds, loads) [count of the cell]
        Both as ``largest`` returns them.
    upper : array of int, shape (speeds, loads) [ticks]
    locked : mask
    limits : Limits [ticks]
    """
    index = np.arange(table.size).reshape(table.shape)
    found = {}
    for row, column in np.argwhere(locked & (table > upper)).tolist():
        found[row, column] = Conflict((row, column), int(upper[row, column]), None, (row, column))
    for here, there, limit in _pairs(limits):
        bound = table[there] + limit
        for k in np.argwhere(locked[here] & (table[here] > bound)).tolist():
            cell, neighbour, held_by = (
                (int(flat) // table.shape[1], int(flat) % table.shape[1]) for flat in (index[here][*k], index[there][*k], holder[there][*k])
            )
            if cell not in found or int(bound[*k]) < found[cell].most:
                found[cell] = Conflict(cell, int(bound[*k]), neighbour, held_by)
    return list(found.values())


def nearest(base: Whole, upper: Whole, locked: Mask, limits: Limits, increment: int) -> Whole:
    """Return the table under its upper bounds with the least sum of changes from ``base``; of several, the one with the least spark.

    Every number of ``base`` outside locked cells must be a multiple of the increment, and a feasible table must exist.
    In increments, with rises p and falls m of the free cells, the programme is: least sum of p + m; p - m of one cell is
    no more than that of a neighbour and a whole limit; whole bounds on p and m. Each row of its matrix holds one +1 and one -1 per column pair (p, -m):
    a network matrix with repeated negated columns, totally unimodular, so every vertex is whole, and so is every vertex
    of the dual, whose costs are 1. HiGHS' simplex method ends on a vertex. The second programme takes the least sum
    of spark over the first one's solutions: rows and bounds with a price other than zero are held.

    Parameters
    ----------
    base : array of int, shape (speeds, loads) [ticks]
    upper : array of int, shape (speeds, loads) [ticks]
        Upper bound of each cell.
    locked : mask
    limits : Limits [ticks]
    increment : int [ticks]

    References
    ----------
    Textbook: total unimodularity of network matrices, vertices of linear programmes.
    """
    free = np.flatnonzero(~locked)
    if not free.size:
        return base.copy()
    start = base.ravel()[free] // increment
    least, most, rows, room = _free_programme(base, upper, locked, limits, increment)
    low = np.concatenate([np.maximum(least - start, 0), np.maximum(start - most, 0)]).astype(float)
    high = np.concatenate([np.maximum(most - start, 0), np.where(least > -_FAR, np.maximum(start - least, 0), np.inf)]).astype(float)
    first = _solved(np.ones(2 * free.size), rows, (None, room), (low, high))
    price = first.ineqlin.marginals < -0.5
    at_low, at_high = first.lower.marginals > 0.5, first.upper.marginals < -0.5
    held = (np.where(at_high, high, low), np.where(at_low, low, high))
    second = _solved(np.repeat([1.0, -1.0], free.size), rows, (np.where(price, room, -np.inf), room), held)
    change = np.rint(second.x).astype(np.int64)
    out = base.copy().ravel()
    out[free] = (start + change[: free.size] - change[free.size :]) * increment
    table = out.reshape(base.shape)
    broken = (table > upper).any() or any((table[here] - table[there] > limit).any() for here, there, limit in _pairs(limits))
    if broken or abs(float(np.abs(change).sum()) - first.fun) > 0.5:
        raise NoSolutionError("the programme of least change was not solved exactly", fix="shape without allow_raise")
    return table


def _free_programme(base: Whole, upper: Whole, locked: Mask, limits: Limits, increment: int) -> tuple[Whole, Whole, Any, NDArray[np.float64]]:
    """Return bounds of the free cells, the rows that tie them, and the room of each row, all in increments; locked neighbours become bounds."""
    from scipy import sparse

    most, least = upper // increment, np.full(base.shape, -_FAR)
    number = np.cumsum(~locked.ravel()).reshape(base.shape) - 1
    plus, minus, room = [], [], []
    for here, there, limit in _pairs(limits):
        most[here] = np.where(locked[there], np.minimum(most[here], (base[there] + limit) // increment), most[here])
        least[there] = np.where(locked[here], np.maximum(least[there], -((limit - base[here]) // increment)), least[there])
        both = ~locked[here] & ~locked[there]
        plus.append(number[here][both])
        minus.append(number[there][both])
        room.append(limit[both] // increment + (base[there][both] - base[here][both]) // increment)
    ends = np.concatenate(plus), np.concatenate(minus)
    count, size = len(ends[0]), int((~locked).sum())
    signs = np.repeat([1.0, -1.0], count)
    ties = sparse.csr_array((signs, (np.tile(np.arange(count), 2), np.concatenate(ends))), shape=(count, size))
    free = ~locked
    return least[free], most[free], sparse.hstack([ties, -ties], format="csr"), np.concatenate(room).astype(float)


def _solved(cost: Any, rows: Any, room: tuple[Any, Any], bounds: tuple[Any, Any]) -> Any:
    """Return the vertex of least cost; rows with a lower room as well are equations."""
    from scipy.optimize import linprog

    low, high = room
    tied = np.zeros(len(high), dtype=bool) if low is None else np.isfinite(low)
    ties = {"A_eq": rows[tied], "b_eq": high[tied]} if tied.any() else {}
    found = linprog(cost, A_ub=rows[~tied], b_ub=high[~tied], bounds=np.column_stack(bounds), method="highs-ds", **ties)
    if not found.success:
        raise NoSolutionError(f"the programme of least change has no solution: {found.message}", fix="shape without allow_raise")
    return found


def binding(table: Whole, limits: Limits, increment: int) -> tuple[Mask, Mask]:
    """Return the cells that an increment more would put out of reach of a neighbour by a limit either way, and by the limit on rising."""
    steep, rises = np.zeros(table.shape, dtype=bool), np.zeros(table.shape, dtype=bool)
    for here, there, limit in _pairs(limits._replace(rising=limits.along_load)):
        steep[here] |= table[here] + increment > table[there] + limit
    rises[:, 1:] = (table[:, 1:] + increment > table[:, :-1] + limits.rising) & (limits.rising < limits.along_load)
    return steep, rises


def _pairs(limits: Limits) -> tuple[tuple[tuple[slice, slice], tuple[slice, slice], Whole], ...]:
    """Return every neighbouring pair of cells both ways, as slices of the table, with how far the first may be above the second."""
    every, low, high = slice(None), slice(None, -1), slice(1, None)
    return (
        ((high, every), (low, every), limits.along_speed),
        ((low, every), (high, every), limits.along_speed),
        ((every, high), (every, low), np.minimum(limits.along_load, limits.rising)),
        ((every, low), (every, high), limits.along_load),
    )
