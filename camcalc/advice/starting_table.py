"""A first table for the low-speed zone: level over the cells that one swing visits, a margin under their ceilings, eased into the rest."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from .spark_limits import CeilingCell

__all__ = ["STEEPEST", "starting_table"]

Array = NDArray[np.float64]

# Most degrees between neighbouring cells where the zone is eased into the rest; common practice, no source.
STEEPEST = 3.0


def starting_table(cells: list[list[CeilingCell]], *, margin: float) -> Array:
    """Return spark [crank deg before top dead centre] by pressure and speed, in whole degrees; NaN where the zone does not reach.

    In the zone each cell has the least ceiling over the loads one swing away, less the margin, never falling as speed rises;
    outside it the least of best torque and knock, less the margin, held to three degrees a cell from the zone on: cells
    that this holds down are the rim. No cell lies under its floor; where the floor stands above what the swing allows,
    neighbours differ by more than three degrees, and the cell is one that spark does not cure.
    """

    def field(name: str) -> Array:
        return np.array([[getattr(c, name) for c in row] for row in cells])

    ceiling, floor, pressure, swing = (field(n) for n in ("ceiling", "floor", "pressure", "swing"))
    zone = np.isfinite(ceiling)
    if not zone.any():
        return np.full_like(ceiling, math.nan)
    plain = np.fmin(field("best"), field("knock"))
    limit = np.where(zone, np.fmin(ceiling, field("limit")), plain)
    shelf = np.where(zone, _level(limit, pressure, swing), plain) - margin
    eased = _eased(np.where(np.isfinite(shelf), shelf, np.inf))
    least = np.where(zone, np.fmin(floor, ceiling), -np.inf)
    table = np.maximum(np.floor(eased), np.ceil(least))
    table = np.where(zone, np.minimum(table, ceiling), table)
    shown = zone | (np.floor(eased) < np.floor(plain - margin))
    return np.where(shown & np.isfinite(table), table, math.nan)


def _level(limit: Array, pressure: Array, swing: Array) -> Array:
    """Return for each cell the least limit over the loads one swing away at its speed, never falling as speed rises."""
    out = np.full_like(limit, np.inf)
    for k, column in enumerate(limit.T):
        for j, p in enumerate(pressure[:, k]):
            if math.isfinite(swing[j, k]):
                near = np.abs(pressure[:, k] / p - 1.0) <= swing[j, k] + 1e-9
                out[j, k] = np.nanmin(column[near])
    return np.minimum.accumulate(out[:, ::-1], axis=1)[:, ::-1]


def _eased(table: Array) -> Array:
    """Return the largest table under this one whose neighbours differ by no more than ``STEEPEST``."""
    out = table.copy()
    for _ in range(sum(out.shape)):
        before = out.copy()
        out[1:] = np.minimum(out[1:], out[:-1] + STEEPEST)
        out[:-1] = np.minimum(out[:-1], out[1:] + STEEPEST)
        out[:, 1:] = np.minimum(out[:, 1:], out[:, :-1] + STEEPEST)
        out[:, :-1] = np.minimum(out[:, :-1], out[:, 1:] + STEEPEST)
        if (out == before).all():
            break
    return out
