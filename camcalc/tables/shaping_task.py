"""What shaping is asked for, on a table's cells: ceilings, the zone, how much neighbours may differ."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..units import Bounds, quantity, to_si
from .axes import LOADS
from .programme import Limits, Mask, Whole, ticks_of
from .table import EARLIEST, LATEST, SparkTable

__all__ = ["STEP", "Task", "angles_on", "mask_on", "task_of"]

Array = NDArray[np.float64]

ANGLE = Bounds("crank_deg", LATEST, EARLIEST)
STEP = Bounds("crank_deg", 0.0, 180.0)


@dataclasses.dataclass(frozen=True)
class Task:
    """What both programmes share, on the table's cells: angles in ticks; a ceiling outside the zone is none."""

    table: SparkTable
    ceiling: Array
    zone: Mask
    limits: Limits
    increment: int
    floor: Array | None

    @property
    def top(self) -> Whole:
        """The ceiling in ticks, far above any spark where there is none."""
        return ticks_of(np.where(np.isfinite(self.ceiling), self.ceiling, np.inf))


def task_of(
    table: SparkTable,
    steep: SparkTable,
    ceiling: Any,
    zone: Any,
    along_speed: Any,
    along_load: Any,
    per_cell: Any,
    increment: Any,
    floor: Any,
    uncured: Any,
) -> Task:
    """Return what both programmes share; outside the zone neighbours may differ as they do in ``steep``."""
    top = angles_on(ceiling, "ceiling", table)
    inside = np.isfinite(top) if zone is None else mask_on(zone, "zone", table)
    cell = float(to_si(per_cell, "per_cell", STEP))
    least = None if floor is None else angles_on(floor, "floor", table)
    steps = Bounds("crank_deg/crank_rps", 0.0, show="crank_deg/krpm")
    load = LOADS[table.load_kind].bounds
    unit, show = (f"crank_deg/{u}" if u else "crank_deg" for u in (load.unit, load.show))
    per_load = Bounds(unit, 0.0, show=show)

    def reach(cell: float) -> Limits:
        by_speed = _limits(along_speed, "along_speed", table.si.speed, steps, cell)[:, None]
        by_load = _limits(along_load, "along_load", table.loads, per_load, cell)
        return Limits(np.broadcast_to(by_speed, cells[1:].shape), np.broadcast_to(by_load, cells[:, 1:].shape))

    cells = ticks_of(steep.si.cells)
    limits = reach(cell)
    if uncured is not None:
        for name, given in (("along_speed", along_speed), ("along_load", along_load)):
            if given is None:
                raise InputError(
                    name, came="nothing", expected="a slope limit, since it alone holds beside uncured cells", fix=f"give {name}, or leave uncured out"
                )
        limits = _held(limits, reach(np.inf), mask_on(uncured, "uncured", table))
    limits = Limits(
        np.where(inside[1:] | inside[:-1], limits.along_speed, np.maximum(limits.along_speed, np.abs(np.diff(cells, axis=0)))),
        np.where(inside[:, 1:] | inside[:, :-1], limits.along_load, np.maximum(limits.along_load, np.abs(np.diff(cells, axis=1)))),
    )
    given = table.si.increment if increment is None else float(to_si(increment, "increment", SparkTable.measures()["increment"].bounds))
    return Task(table, np.where(inside, top, np.nan), inside, limits, int(ticks_of(given)), least)


def _held(limits: Limits, slopes: Limits, uncured: Mask) -> Limits:
    """Return the limits with the slopes' alone beside uncured cells."""
    return Limits(
        np.where(uncured[1:] | uncured[:-1], slopes.along_speed, limits.along_speed),
        np.where(uncured[:, 1:] | uncured[:, :-1], slopes.along_load, limits.along_load),
    )


def _limits(slope: Any, name: str, axis: Array, bounds: Bounds, per_cell: float) -> Whole:
    """Return how much neighbours along an axis may differ, in ticks."""
    spacing = np.diff(axis)
    if slope is None:
        return ticks_of(np.full(len(spacing), per_cell))
    return ticks_of(np.minimum(per_cell, float(to_si(slope, name, bounds)) * spacing))


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
