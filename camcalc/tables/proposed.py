"""The table that a brief proposes, as one that a drive can look up anywhere."""

from __future__ import annotations

import numpy as np

from ..advice.spark import SparkCeilings
from .table import SparkTable

__all__ = ["proposed_table", "table_to_type"]

# The grid of the ceilings is drawn out to these, its edges held: a table must answer wherever a drive leads.
SLOWEST, FASTEST, LIGHTEST, FULLEST = 500.0 / 60.0, 6000.0 / 60.0, 15e3, 105e3


def table_to_type(ceilings: SparkCeilings) -> SparkTable:
    """Return the starting table over manifold pressure, where it was worked out."""
    si = ceilings.si
    return SparkTable(load_kind="manifold pressure", speed=si.speed, loads=si.manifold_pressure, cells=si.starting_spark.T, increment=1.0)


def proposed_table(ceilings: SparkCeilings) -> SparkTable:
    """Return the starting table with its edges held beyond the grid."""
    speeds, loads = ceilings.si.speed, ceilings.si.manifold_pressure
    return SparkTable(
        load_kind="manifold pressure",
        speed=np.array([SLOWEST, *speeds, FASTEST]),
        loads=np.array([LIGHTEST, *loads, max(FULLEST, loads[-1] + 5e3)]),
        cells=np.pad(ceilings.si.starting_spark.T, 1, mode="edge"),
        increment=1.0,
    )
