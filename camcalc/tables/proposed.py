"""The table that a brief proposes, as one that a drive can look up anywhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .table import SparkTable

if TYPE_CHECKING:
    from ..advice.starting_table import StartingTable

__all__ = ["proposed_table"]

# The grid of the starting table is drawn out to these, its edges held: a table must answer wherever a drive leads.
SLOWEST, FASTEST, LIGHTEST, FULLEST = 500.0 / 60.0, 6000.0 / 60.0, 15e3, 105e3


def proposed_table(starting: StartingTable) -> SparkTable:
    """Return the starting table with its edges held beyond the grid; a cell to be avoided has the least spark, since a drive may cross it."""
    si = starting.si
    cells = np.where(np.isfinite(si.spark), si.spark, si.least_spark)
    return SparkTable(
        load_kind="manifold pressure",
        speed=np.array([SLOWEST, *si.speed, FASTEST]),
        loads=np.array([LIGHTEST, *si.manifold_pressure, max(FULLEST, si.manifold_pressure[-1] + 5e3)]),
        cells=np.pad(cells.T, 1, mode="edge"),
        increment=1.0,
    )
