"""Random shaping tasks, their limits worked out cell by cell, and their solutions by other means: HiGHS, and trying every table.

Nothing in here uses the package's programme: limits come from the rules as they are written down, pair by pair.
"""

from __future__ import annotations

import itertools
import math
from typing import Any, NamedTuple

import numpy as np
from hypothesis import strategies as st
from scipy.optimize import linprog

from camcalc.tables import ShapedTable, SparkTable, shape_table

Grid = np.ndarray[Any, np.dtype[np.float64]]
# One cell is no more than another and a limit: flat indices, degrees.
Tie = tuple[int, int, float]


def table_of(cells: Any, *, increment: float = 1.0, speed: Any = None, loads: Any = None) -> SparkTable:
    """A table by relative charge, rows 200 rpm and columns 10 percent apart."""
    cells = np.array(cells, dtype=float)
    rows, columns = cells.shape
    speed = np.arange(800.0, 800.0 + 200.0 * rows - 1.0, 200.0) / 60.0 if speed is None else np.array(speed)
    loads = 0.1 + 0.1 * np.arange(columns) if loads is None else np.array(loads)
    return SparkTable(load_kind="relative charge", speed=speed, loads=loads, cells=cells, increment=increment)


class Case(NamedTuple):
    """A random task: what is asked of ``shape_table``. All slope limits are given."""

    base: SparkTable
    ceiling: Grid
    options: dict[str, Any]

    def shaped(self, **more: Any) -> ShapedTable:
        return shape_table(self.base, self.ceiling, **self.options | more)

    @property
    def zone(self) -> Grid:
        return np.asarray(self.options.get("zone", np.isfinite(self.ceiling)))

    @property
    def held(self) -> Grid:
        """The most that knock leaves: its limit less two degrees, but no less than 0; as much as one likes where it was not computed."""
        knock = self.options.get("knock", np.full(self.ceiling.shape, np.nan))
        return np.where(np.isnan(knock), np.inf, np.maximum(knock - 2.0, 0.0))

    @property
    def risen(self) -> Any:
        """The most that a cell may rise to for knock: its limit less two degrees, nothing where it was not computed."""
        knock = self.options.get("knock")
        return np.inf if knock is None else np.where(np.isnan(knock), -np.inf, knock - 2.0)

    @property
    def upper(self) -> Grid:
        """Base, ceiling and knock, whichever is least."""
        top = np.where(self.zone & np.isfinite(self.ceiling), self.ceiling, np.inf)
        return np.minimum(np.minimum(self.base.si.cells, top), self.held)

    def allowed(self, value: float, own: float) -> float:
        """The largest number a cell may hold under a bound: its own, or a multiple of the increment."""
        q = self.base.si.increment
        step = math.floor(value / q + 1e-9) * q
        return max(step, own) if own <= value + 1e-9 else step

    def first_firm(self) -> list[int]:
        """For each row, from which column on spark does not rise with load, whatever changes."""
        over = self.base.si.cells > self.held + 1e-9
        found = []
        for r in range(self.base.shape[0]):
            columns = [c for c in range(self.base.shape[1]) if self.zone[r, c] or over[r, c] or (c + 1 < self.base.shape[1] and over[r, c + 1])]
            found.append(min(columns, default=self.base.shape[1]))
        return found

    def without_slopes(self) -> Grid:
        """The base table brought down for knock and for spark that rises with load alone: a walk along each row."""
        cells, held, first = self.base.si.cells, self.held, self.first_firm()
        out = cells.copy()
        for r in range(cells.shape[0]):
            for c in range(cells.shape[1]):
                bound = min(cells[r, c], held[r, c])
                if c and (c > first[r] or (out[r, :c] < cells[r, :c]).any()):
                    bound = min(bound, out[r, c - 1])
                out[r, c] = self.allowed(bound, cells[r, c])
        return out

    def pairs(self) -> list[Tie]:
        """Neighbours with the most they may differ, either way."""
        tables, zone, found = (self.base.si.cells, self.without_slopes()), self.zone, []
        rows, columns = self.base.shape
        for r, c in np.ndindex(rows, columns):
            for r2, c2 in ((r + 1, c), (r, c + 1)):
                if r2 >= rows or c2 >= columns:
                    continue
                if r2 > r:
                    limit = float(self.options["along_speed"].split()[0]) * float(self.base.si.speed[r2] - self.base.si.speed[r]) * 60.0 / 1000.0
                else:
                    limit = float(self.options["along_load"].split()[0]) * float(self.base.loads[c2] - self.base.loads[c]) * 100.0
                if "per_cell" in self.options:
                    limit = min(limit, float(self.options["per_cell"].split()[0]))
                if not zone[r, c] and not zone[r2, c2]:
                    limit = max(limit, *(abs(t[r, c] - t[r2, c2]) for t in tables))
                found.append((r * columns + c, r2 * columns + c2, limit))
        return found

    def ties(self, first: list[int]) -> list[Tie]:
        """Every limit, one way each; spark does not rise with load from these columns on, elsewhere no more than in the base table."""
        cells, (rows, columns) = self.base.si.cells, self.base.shape
        both = self.pairs()
        found = both + [(j, i, limit) for i, j, limit in both]
        for r, c in itertools.product(range(rows), range(columns - 1)):
            rise = 0.0 if c >= first[r] else max(float(cells[r, c + 1] - cells[r, c]), 0.0)
            found.append((r * columns + c + 1, r * columns + c, rise))
        return found

    def first_changed(self, new: Grid) -> list[int]:
        """For each row, from which column on spark does not rise with load once a table has changed it."""
        moved = np.abs(new - self.base.si.cells) > 1e-9
        return [min(f, int(np.argmax(row)) if row.any() else len(row)) for f, row in zip(self.first_firm(), moved, strict=True)]


def worst_excess(values: Grid, ties: list[Tie]) -> float:
    """How far the worst pair is out of reach [deg]."""
    flat = values.ravel()
    return max((float(flat[i] - flat[j]) - limit for i, j, limit in ties), default=0.0)


@st.composite
def cases(draw: st.DrawFn, *, rows: int = 6, columns: int = 6, on_increment: bool = False) -> Case:
    """Tables of any shape and roughness; ceilings, zone and knock anywhere."""
    shape = draw(st.integers(2, rows)), draw(st.integers(2, columns))
    increment = draw(st.sampled_from([1.0, 0.5, 0.1]))
    cell = st.integers(0, round(40.0 / increment)).map(lambda k: k * increment)
    if not on_increment:
        cell = st.one_of(cell, st.integers(0, 4000).map(lambda k: k / 100.0))

    def grid(of: Any) -> Any:
        return np.array([[draw(of) for _ in range(shape[1])] for _ in range(shape[0])])

    cells = np.round(grid(cell), 6)
    if draw(st.booleans()):
        cells = np.sort(cells, axis=1)[:, ::-1]  # as real tables mostly are: less spark at more load
    top = st.one_of(st.just(math.nan), st.integers(0, 400).map(lambda k: k / 10.0))
    ceiling = grid(top)
    speed = (800.0 + np.cumsum([draw(st.sampled_from([100.0, 200.0, 350.0])) for _ in range(shape[0])])) / 60.0
    loads = 0.1 + np.cumsum([draw(st.sampled_from([0.05, 0.1, 0.15])) for _ in range(shape[1])])
    options: dict[str, Any] = {
        "along_speed": f"{draw(st.sampled_from([0.0, 4.0, 15.0, 50.0]))} crank_deg/krpm",
        "along_load": f"{draw(st.sampled_from([0.03, 0.2, 1.0]))} crank_deg/percent",
    }
    if draw(st.booleans()):
        options["per_cell"] = f"{draw(st.sampled_from([0.0, 0.7, 2.0, 3.0, 6.0]))} crank_deg"
    if draw(st.booleans()):
        options["zone"] = grid(st.booleans())
    if draw(st.booleans()):
        options["knock"] = grid(st.one_of(st.just(math.nan), st.just(math.inf), st.integers(-50, 450).map(lambda k: k / 10.0)))
    return Case(table_of(cells, increment=increment, speed=speed, loads=loads), ceiling, options)


def largest_by_highs(case: Case, locked: Grid | None = None) -> Grid | None:
    """The largest table as linear programmes, bounds and limits rounded down to the increment; nothing where there is none.

    One programme after another, each with the rows held from rising that the one before has changed, until none is new.
    """
    q, size = case.base.si.increment, case.base.si.cells.size
    own = np.rint(case.base.si.cells.ravel() / q)
    upper = np.floor(case.upper.ravel() / q + 1e-6)
    bounds: list[tuple[float | None, float]] = [(None, u) for u in upper]
    if locked is not None:
        if (own[locked.ravel()] > upper[locked.ravel()]).any():
            return None
        bounds = [(o, o) if k else b for o, k, b in zip(own, locked.ravel(), bounds, strict=True)]
    first = case.first_firm()
    while True:
        ties = case.ties(first)
        rows = np.zeros((len(ties), size))
        rows[np.arange(len(ties)), [i for i, _, _ in ties]] = 1.0
        rows[np.arange(len(ties)), [j for _, j, _ in ties]] = -1.0
        room = [math.floor(limit / q + 1e-6) for _, _, limit in ties]
        found = linprog(-np.ones(size), A_ub=rows, b_ub=room, bounds=bounds, method="highs")
        if found.status == 2:
            return None
        new = np.asarray(found.x).reshape(case.base.shape) * q
        more = case.first_changed(np.round(new, 6))
        if more == first:
            return new
        first = more


def every_table(case: Case, lowest: float, upper: Grid) -> list[Grid]:
    """Every table of allowed numbers under some bounds that keeps the rules, by trying them all; the rule on rising by what each table changes."""
    q = case.base.si.increment
    own = case.base.si.cells.ravel()
    choices = []
    for b, u in zip(own, upper.ravel(), strict=True):
        steps = [k * q for k in range(math.ceil(lowest / q), math.floor(u / q + 1e-9) + 1)]
        choices.append(sorted({*steps, *([b] if b <= u + 1e-9 else [])}))
    tables = (np.array(x).reshape(upper.shape) for x in itertools.product(*choices))
    both = case.pairs()
    steep = both + [(j, i, limit) for i, j, limit in both]
    kept = (t for t in tables if worst_excess(t, steep) <= 1e-9)
    return [t for t in kept if worst_excess(t, case.ties(case.first_changed(t))) <= 1e-9]


@st.composite
def small_cases(draw: st.DrawFn, *, on_increment: bool, columns: int = 2) -> Case:
    """Tasks so small that every table can be tried."""
    unit = 1.0 if on_increment else 0.5
    cells = np.array([[20.0 + unit * draw(st.integers(0, round(4 / unit))) for _ in range(columns)] for _ in range(2)])
    ceiling = np.array([[draw(st.sampled_from([math.nan, 19.5, 20.5, 21.0, 30.0])) for _ in range(columns)] for _ in range(2)])
    options: dict[str, Any] = {
        "per_cell": f"{draw(st.sampled_from([0.0, 0.5, 1.0, 1.5]))} crank_deg",
        "along_speed": f"{draw(st.sampled_from([2.5, 50.0]))} crank_deg/krpm",
        "along_load": "1 crank_deg/percent",
    }
    if draw(st.booleans()):
        options["knock"] = np.array([[draw(st.sampled_from([math.nan, math.inf, 22.0, 23.5])) for _ in range(columns)] for _ in range(2)])
    return Case(table_of(cells), ceiling, options)
