"""The part of a grid that is shown first, and the cell of a grid that answers for a point."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from .injection import InjectionWindows
    from .spark import SparkCeilings
    from .starting_table import StartingTable

__all__ = ["answer_near", "low_speed_zone"]

# The low-speed zone is shown up to this speed [rev/s] and pressure [Pa]: what pulling away and a slow cruise ask for, and what a phone has room for.
ZONE_END, ZONE_TOP = 2000.0 / 60.0, 80e3


def low_speed_zone(table: StartingTable, idle: float) -> tuple[list[int], list[int]]:
    """Return the rows (loads) and columns (speeds) of a starting table from idle to the end of the zone shown, and one load above its own.

    Parameters
    ----------
    table : StartingTable
    idle : float
        Idle speed [rev/s].
    """
    speeds = table.si.speed
    rows = np.flatnonzero(table.zone.any(axis=1))
    last = int(np.searchsorted(speeds, ZONE_END * (1.0 + 1e-9), side="right")) - 1
    first = max(int(np.searchsorted(speeds, idle, side="right")) - 1, 0)
    loads = table.si.manifold_pressure
    most = int(np.searchsorted(loads, ZONE_TOP * (1.0 + 1e-9), side="right")) - 1
    top = min(int(rows[-1]) + 1, most) if rows.size else most
    return list(range(top + 1)), list(range(first, last + 1))


def answer_near(record: InjectionWindows | SparkCeilings | StartingTable, name: str, speed: float, pressure: float) -> tuple[int, int]:
    """Return row and column of the cell with an answer next to a speed [rev/s] and manifold pressure [Pa], far apart by ratio.

    Parameters
    ----------
    record : Record
        A grid: rows ``manifold_pressure``, columns ``speed``.
    name : str
        Its field that is to have an answer there.
    speed, pressure : float
        The point [rev/s], [Pa].
    """
    speeds, pressures = record.si.speed, record.si.manifold_pressure
    apart = np.abs(np.log(speeds / speed))[None, :] + np.abs(np.log(pressures / pressure))[:, None]
    apart = np.where(np.isfinite(getattr(record.si, name)), apart, math.inf)
    row, column = np.unravel_index(int(np.argmin(apart)), apart.shape)
    return int(row), int(column)
