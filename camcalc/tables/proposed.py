"""The table that a brief proposes, as one that a drive can look up anywhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..cycle.load_axis import MANIFOLD_PRESSURE
from .table import SparkTable

if TYPE_CHECKING:
    from ..advice.starting_table import StartingTable

__all__ = ["level_table", "proposed_table", "table_to_type"]

# The grid of the starting table is drawn out to these, its edges held: a table must answer wherever a drive leads.
SLOWEST, FASTEST, LIGHTEST, FULLEST = 500.0 / 60.0, 6000.0 / 60.0, 15e3, 105e3


def level_table(spark: float) -> SparkTable:
    """Return a spark table that is level everywhere [crank deg before top dead centre]."""
    return SparkTable(
        load_kind=MANIFOLD_PRESSURE, speed=np.array([400.0, 8000.0]) / 60.0, loads=np.array([1e4, 1.1e5]), cells=np.full((2, 2), spark), increment=0.1
    )


def table_to_type(starting: StartingTable) -> str:
    """Return the starting table as the text of a spark table's file; a cell to be avoided is blank."""
    si = starting.si
    whole = SparkTable(load_kind=MANIFOLD_PRESSURE, speed=si.speed, loads=si.manifold_pressure, cells=_filled(starting).T, increment=1.0)
    head, *rows = (line.split(",") for line in whole.text().splitlines())
    kept = [[row[0], *("" if avoid else cell for cell, avoid in zip(row[1:], column, strict=True))] for row, column in zip(rows, starting.avoid.T, strict=True)]
    return "".join(",".join(line) + "\n" for line in [head, *kept])


def _filled(starting: StartingTable) -> NDArray[np.float64]:
    """Return the spark of every cell; one to be avoided has the least, since a drive may cross it."""
    return np.where(np.isfinite(starting.si.spark), starting.si.spark, starting.si.least_spark)


def proposed_table(starting: StartingTable) -> SparkTable:
    """Return the starting table with its edges held beyond the grid."""
    si, cells = starting.si, _filled(starting)
    return SparkTable(
        load_kind=MANIFOLD_PRESSURE,
        speed=np.array([SLOWEST, *si.speed, FASTEST]),
        loads=np.array([LIGHTEST, *si.manifold_pressure, max(FULLEST, si.manifold_pressure[-1] + 5e3)]),
        cells=np.pad(cells.T, 1, mode="edge"),
        increment=1.0,
    )
