"""The whole table that a brief proposes: its starting spark in the zone, eased into best torque or knock less the margin around it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..advice.spark import SparkCeilings
from ..advice.spark_limits import AT_IDLE, NO_TORQUE
from .table import SparkTable

__all__ = ["proposed_table"]

Array = NDArray[np.float64]

# The grid of the ceilings is drawn out to these, its edges held: a table must answer wherever a drive leads.
SLOWEST, FASTEST, LIGHTEST, FULLEST = 500.0 / 60.0, 6000.0 / 60.0, 15e3, 105e3


def proposed_table(ceilings: SparkCeilings, *, margin: float) -> SparkTable:
    """Return the table that the ceilings lead to, in whole degrees, over manifold pressure.

    Parameters
    ----------
    ceilings : SparkCeilings
    margin : float
        How far under best torque or knock cells outside the zone and its rim stay [crank deg]; the starting spark has its own in it.

    Notes
    -----
    An idle has spark of its own, which belongs to a closed pedal: with the pedal open, cells near the idle speed have that of the next
    faster ones. Cells that no spark cures and cells without a settled cycle have that of the next fuller load; beyond the grid the
    edge is held.
    """
    si = ceilings.si
    plain = np.floor(np.fmin(si.best_spark, si.knock) - margin)
    unsaid = np.isfinite(si.ceiling) | np.isin(np.array(ceilings.remarks), (AT_IDLE, NO_TORQUE))
    cells = _filled(np.where(np.isfinite(si.starting_spark), si.starting_spark, np.where(unsaid, np.nan, plain)))
    speeds, loads = si.speed, si.manifold_pressure
    return SparkTable(
        load_kind="manifold pressure",
        speed=np.array([SLOWEST, *speeds, FASTEST]),
        loads=np.array([LIGHTEST, *loads, max(FULLEST, loads[-1] + 5e3)]),
        cells=np.pad(cells.T, 1, mode="edge"),
        increment=1.0,
    )


def _filled(cells: Array) -> Array:
    """Fill blanks: from fuller loads, then faster speeds, then the other ways."""
    out = cells.copy()
    for view in (out[::-1], out.T[::-1], out, out.T):
        for k in range(1, len(view)):
            view[k] = np.where(np.isnan(view[k]), view[k - 1], view[k])
    return out
