"""What shaping is asked for, on a table's cells: ceilings, knock, the zone, how much neighbours may differ."""

from __future__ import annotations

import dataclasses
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..units import Bounds, quantity, to_si
from .axes import LOADS
from .programme import Limits, Mask, Whole, ticks_of
from .shaped import Fallback
from .table import EARLIEST, LATEST, SparkTable

__all__ = ["PER_CELL", "STEP", "Knock", "SlopeLimits", "Task", "angles_on", "knock_of", "mask_on", "task_of"]

Array = NDArray[np.float64]

ANGLE = Bounds("crank_deg", LATEST, EARLIEST)
STEP = Bounds("crank_deg", 0.0, 180.0)
# Most difference between neighbouring cells that touch the zone, where no slope limit is known; common practice, no source.
PER_CELL = "3 crank_deg"


class SlopeLimits(NamedTuple):
    """Limits on slopes as they are given: per speed, per load, per cell; nothing where none is."""

    along_speed: Any = None
    along_load: Any = None
    per_cell: Any = None

    @property
    def fallbacks(self) -> tuple[Fallback, ...]:
        """The axes on which a limit per cell stands in for a slope limit that is not known."""
        if self.per_cell is not None:
            return ()
        given = ((Fallback.ALONG_SPEED, self.along_speed), (Fallback.ALONG_LOAD, self.along_load))
        return tuple(axis for axis, limit in given if limit is None)


class Knock(NamedTuple):
    """Knock on a table's cells: its limit [crank deg], infinite where none searched knocks, not-a-number where it was not computed; the most
    spark that a cell may have for it, infinite where it says nothing; margin and least spark [crank deg]."""

    limit: Array
    most: Array
    margin: float
    least: float


@dataclasses.dataclass(frozen=True)
class Task:
    """What both programmes share, on the table's cells: angles in ticks; a ceiling outside the zone is none.

    ``firm`` are the cells from which on, in each row, spark does not rise with load.
    """

    table: SparkTable
    ceiling: Array
    zone: Mask
    firm: Mask
    limits: Limits
    increment: int
    floor: Array | None
    knock: Knock | None
    held: Array
    fallbacks: tuple[Fallback, ...]

    @property
    def top(self) -> Whole:
        """The ceiling in ticks, far above any spark where there is none."""
        return ticks_of(np.where(np.isfinite(self.ceiling), self.ceiling, np.inf))

    @property
    def most(self) -> Whole:
        """The least of ceiling and what is held for knock, in ticks."""
        return np.minimum(self.top, ticks_of(self.held))

    def without_slopes(self) -> Task:
        """Return the task with no limit on slopes but that on rising with load."""
        far_speed, far_load = (np.full_like(limit, ticks_of(np.inf)) for limit in self.limits[:2])
        return dataclasses.replace(self, limits=self.limits._replace(along_speed=far_speed, along_load=far_load))

    def with_slopes_of(self, *cells: Whole) -> Task:
        """Return the task with neighbours outside the zone allowed to differ as they do in any of some tables."""
        zone, limits = self.zone, self.limits
        own_speed, own_load = (np.max([np.abs(np.diff(c, axis=axis)) for c in cells], axis=0) for axis in (0, 1))
        by_speed = np.where(zone[1:] | zone[:-1], limits.along_speed, np.maximum(limits.along_speed, own_speed))
        by_load = np.where(zone[:, 1:] | zone[:, :-1], limits.along_load, np.maximum(limits.along_load, own_load))
        return dataclasses.replace(self, limits=limits._replace(along_speed=by_speed, along_load=by_load))


def task_of(
    table: SparkTable,
    ceiling: Any,
    slopes: SlopeLimits,
    *,
    zone: Any = None,
    increment: Any = None,
    floor: Any = None,
    uncured: Any = None,
    knock: Knock | None = None,
    hold_knock: bool = True,
) -> Task:
    """Return what both programmes share; the limits outside the zone are those inside it, until ``Task.with_slopes_of``.

    Parameters
    ----------
    table : SparkTable
    ceiling : quantity or array [crank deg], shape (speeds, loads)
    slopes : SlopeLimits
    zone, uncured : mask, on the table's cells
        As for ``shape_table``.
    increment : quantity [crank angle]
    floor : quantity or array [crank deg], shape (speeds, loads)
    knock : Knock
    hold_knock : bool
    """
    top = angles_on(ceiling, "ceiling", table)
    inside = np.isfinite(top) if zone is None else mask_on(zone, "zone", table)
    held = knock.most if knock is not None and hold_knock else np.full(table.shape, np.inf)
    cells = ticks_of(table.si.cells)
    # A cell that is brought down for knock is not left above its lighter neighbour either.
    over = cells > ticks_of(held)
    firm = inside | over
    firm[:, :-1] |= over[:, 1:]
    by_speed, by_load = _reach(table, slopes, uncured)
    return Task(
        table=table,
        ceiling=np.where(inside, top, np.nan),
        zone=inside,
        firm=firm,
        limits=Limits(by_speed, by_load, np.maximum(np.diff(cells, axis=1), 0)),
        increment=int(ticks_of(table.si.increment if increment is None else to_si(increment, "increment", SparkTable.measures()["increment"].bounds))),
        floor=None if floor is None else angles_on(floor, "floor", table),
        knock=knock,
        held=held,
        fallbacks=slopes.fallbacks,
    )


def knock_of(values: Any, table: SparkTable, *, margin: Any, least_spark: Any) -> Knock | None:
    """Return knock on a table's cells, or nothing where none is given.

    Parameters
    ----------
    values : quantity or array [crank deg], shape (speeds, loads)
        Infinite where nothing searched knocks, not-a-number where it was not computed.
    table : SparkTable
    margin, least_spark : quantity [crank angle]
        As for ``shape_table``.
    """
    if values is None:
        return None
    limit = angles_on(values, "knock", table)
    given = np.asarray(getattr(values, "magnitude", values), dtype=float)
    limit = np.where(np.isposinf(given), np.inf, limit)
    by, least = (float(to_si(value, name, bounds)) for value, name, bounds in ((margin, "knock_margin", STEP), (least_spark, "least_spark", ANGLE)))
    # Where knock asks for less than the least spark no spark serves: the cell comes down to that and no further.
    return Knock(limit, np.where(np.isnan(limit), np.inf, np.maximum(limit - by, least)), by, least)


def _reach(table: SparkTable, slopes: SlopeLimits, uncured: Any) -> tuple[Whole, Whole]:
    """Return how much neighbours along speed and along load may differ, in ticks; beside uncured cells by the slopes alone."""
    load = LOADS[table.load_kind].bounds
    unit, show = (f"crank_deg/{u}" if u else "crank_deg" for u in (load.unit, load.show))
    axes = (
        (slopes.along_speed, "along_speed", table.si.speed, Bounds("crank_deg/crank_rps", 0.0, show="crank_deg/krpm"), (1, 0)),
        (slopes.along_load, "along_load", table.loads, Bounds(unit, 0.0, show=show), (0, 1)),
    )
    apart = mask_on(uncured, "uncured", table)
    found = []
    for slope, name, axis, bounds, (down, along) in axes:
        if uncured is not None and slope is None:
            raise InputError(
                name, came="nothing", expected="a slope limit, since it alone holds beside uncured cells", fix=f"give {name}, or leave uncured out"
            )
        by_slope = np.inf if slope is None else float(to_si(slope, name, bounds)) * np.diff(axis)
        cell = PER_CELL if slope is None and slopes.per_cell is None else slopes.per_cell
        by_cell = np.inf if cell is None else float(to_si(cell, "per_cell", STEP))
        shape = (table.shape[0] - down, table.shape[1] - along)
        both, alone = (np.broadcast_to(np.reshape(v, (-1, 1)) if down else v, shape) for v in (np.minimum(by_slope, by_cell), by_slope))
        beside = apart[down:, along:] | apart[: shape[0], : shape[1]]
        found.append(np.where(beside, ticks_of(alone), ticks_of(both)))
    return found[0], found[1]


def angles_on(values: Any, name: str, table: SparkTable) -> Array:
    """Return angles on a table's cells as floats; not-a-number where there is none."""
    given = values if hasattr(values, "_units") else quantity(np.asarray(values, dtype=float), "crank_deg")
    out = np.full(table.shape, np.nan)
    if np.shape(given.magnitude) != table.shape:
        raise _wrong_shape(name, np.shape(given.magnitude), table)
    there = ~(np.isnan(given.magnitude) | np.isposinf(given.magnitude))
    out[there] = to_si(given[there], name, ANGLE)
    return out


def mask_on(values: Any, name: str, table: SparkTable) -> Mask:
    """Return truths on a table's cells; none where nothing is given."""
    if values is None:
        return np.zeros(table.shape, dtype=bool)
    mask = np.asarray(values)
    if mask.shape != table.shape:
        raise _wrong_shape(name, mask.shape, table)
    if mask.dtype != bool:
        raise InputError(name, came=f"an array of {mask.dtype}", expected="true or false for each cell")
    return mask


def _wrong_shape(name: str, shape: tuple[int, ...], table: SparkTable) -> InputError:
    return InputError(name, came=f"shape {shape}", expected=f"shape {table.shape}: a row for each speed, a column for each load")
