"""A first table for the low-speed zone: level over the cells that one swing visits, a margin under their ceilings, eased into the rest."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .spark_limits import AT_IDLE, NO_TORQUE

if TYPE_CHECKING:
    from .spark_limits import CeilingCell

__all__ = ["STEEPEST", "starting_table", "whole_table"]

Array = NDArray[np.float64]

# Most degrees between neighbouring cells where the zone is eased into the rest; common practice, no source.
STEEPEST = 3.0
NEAR_ENOUGH = 2.0 * STEEPEST


def whole_table(cells: list[list[CeilingCell]], *, margin: float) -> Array:
    """Return the starting table with a number in every cell, in whole degrees: in the zone and its rim ``starting_table``, elsewhere
    the least of best torque and knock, less the margin.

    An idle has spark of its own, which belongs to a closed pedal: with the pedal open, cells near the idle speed have that of the
    next faster ones. Cells that no spark cures and cells without a settled cycle have that of the next fuller load. No cell outside
    the zone has more than its own best torque or knock less the margin.
    """
    plain = np.floor(np.fmin(_field(cells, "best"), _field(cells, "knock")) - margin)
    level = starting_table(cells, margin=margin)
    unsaid = np.isfinite(_field(cells, "ceiling")) | _elsewhere(cells)
    return np.fmin(_filled(np.where(np.isfinite(level), level, np.where(unsaid, np.nan, plain))), np.where(np.isfinite(level), np.nan, plain))


def _field(cells: list[list[CeilingCell]], name: str) -> Array:
    return np.array([[getattr(c, name) for c in row] for row in cells])


def _elsewhere(cells: list[list[CeilingCell]]) -> NDArray[np.bool_]:
    """Return the cells whose spark is no matter of the table: idle has spark of its own, and nothing runs on a dead cell's."""
    return np.isin(_field(cells, "remark"), (AT_IDLE, NO_TORQUE))


def _filled(cells: Array) -> Array:
    """Fill blanks: from fuller loads, then faster speeds, then the other ways."""
    out = cells.copy()
    for view in (out[::-1], out.T[::-1], out, out.T):
        for k in range(1, len(view)):
            view[k] = np.where(np.isnan(view[k]), view[k - 1], view[k])
    return out


def starting_table(cells: list[list[CeilingCell]], *, margin: float) -> Array:
    """Return spark [crank deg before top dead centre] by pressure and speed, in whole degrees; NaN where the zone does not reach.

    In the zone each cell has its limit, which is the same for all loads that one swing visits, less the margin, never falling
    as speed rises; outside it the least of best torque and knock, less the margin. A cell of the zone differs from its
    neighbours by no more than three degrees, others by no more than that or than they do without it: cells that this holds
    down are the rim. No cell lies under its floor. Cells that spark does not cure hold nobody down; they
    have their floor where it lies within two such steps of what the rest allows, else they stay blank: no spark serves.
    """
    ceiling, floor, limit = (_field(cells, name) for name in ("ceiling", "floor", "limit"))
    zone = np.isfinite(ceiling)
    cured = zone & (floor <= limit)
    if not cured.any():
        return np.full_like(ceiling, math.nan)
    plain = np.where(_elsewhere(cells), np.inf, np.fmin(_field(cells, "best"), _field(cells, "knock")))
    shelf = np.where(cured, limit, np.inf)
    shelf = np.minimum.accumulate(shelf[:, ::-1], axis=1)[:, ::-1]
    shelf = np.where(zone & ~cured, np.inf, np.minimum(shelf, plain)) - margin
    table = np.floor(_eased(np.where(np.isnan(shelf), np.inf, shelf), plain, cured))
    raised = np.where(zone, np.maximum(table, np.ceil(np.fmin(floor, ceiling))), table)
    keeps = raised <= table + np.where(cured, np.inf, NEAR_ENOUGH)
    rim = ~zone & (table < np.floor(plain - margin))
    return np.where((zone & keeps) | (rim & np.isfinite(plain)), np.where(zone, np.minimum(raised, ceiling), table), math.nan)


def _eased(table: Array, plain: Array, zone: NDArray[np.bool_]) -> Array:
    """Return the largest table under this one whose neighbours differ by no more than ``STEEPEST`` where one of them lies in the
    zone, elsewhere by no more than that or than they differ without it."""
    out = table.copy()
    for _ in range(4 * sum(out.shape)):
        before = out.copy()
        for axis in (0, 1):
            view, base, within = np.moveaxis(out, axis, 0), np.moveaxis(plain, axis, 0), np.moveaxis(zone, axis, 0)
            with np.errstate(invalid="ignore"):
                own = np.nan_to_num(np.abs(np.diff(base, axis=0)), nan=np.inf, posinf=np.inf)
            limit = np.where(within[1:] | within[:-1], STEEPEST, np.maximum(STEEPEST, own))
            for k in (*range(1, len(view)), *range(len(view) - 1, 0, -1)):
                view[k] = np.minimum(view[k], view[k - 1] + limit[k - 1])
                view[k - 1] = np.minimum(view[k - 1], view[k] + limit[k - 1])
        if (out == before).all():
            break
    return out
