"""What in a table can break an engine or shake a car: cells above the knock limit, spark that rises with load."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from ..codes import Code
from ..cycle.best_torque import spark_ends
from ..marks import Marks
from ..results import Measure, Record, measure
from .table import SparkTable

if TYPE_CHECKING:
    from .shaping_task import Knock

__all__ = ["KnockCell", "LoadRise", "Outcome", "knock_cells", "load_rises"]

# Angles are compared to so much [crank deg]: they are decimals kept as floats.
CLOSE = 1e-9


class Outcome(Code):
    """What has become of a cell that was above its knock limit, or less than the margin below it."""

    HELD = "at the knock limit less its margin, or below"
    LEFT = "above that still"
    AVOID = "avoid: knock leaves no usable spark"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class KnockCell(Record):
    """One cell of a table that was above its knock limit, or less than the margin below it; row and column count the table's cells from 0."""

    row: int
    column: int
    where: str
    spark_before: Measure = measure("crank_deg")
    spark_after: Measure = measure("crank_deg")
    knock: Measure = measure("crank_deg", doc="knock limit, before top dead centre")
    outcome: Outcome
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)

    @property
    def above_before(self) -> bool:
        """Whether the supplied table is above the knock limit here."""
        return bool(self.si.spark_before > self.si.knock + CLOSE)

    @property
    def above_after(self) -> bool:
        """Whether the table still is."""
        return bool(self.si.spark_after > self.si.knock + CLOSE)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class LoadRise(Record):
    """Two neighbours along load of which the fuller has more spark; row and column are those of the lighter one, counted from 0."""

    row: int
    column: int
    where: str
    fuller: str
    spark: Measure = measure("crank_deg")
    spark_fuller: Measure = measure("crank_deg")


def knock_cells(before: SparkTable, after: SparkTable, knock: Knock) -> tuple[KnockCell, ...]:
    """Return the cells that were above the knock limit less its margin, the furthest above it first."""
    was, now = before.si.cells, after.si.cells
    over = np.argwhere(np.isfinite(knock.limit) & (was > knock.limit - knock.margin + CLOSE))
    found = []
    for row, column in over.tolist():
        limit = float(knock.limit[row, column])
        bound = limit - knock.margin
        held = now[row, column] <= bound + CLOSE
        outcome = Outcome.AVOID if bound < knock.least - CLOSE else Outcome.HELD if held else Outcome.LEFT
        found.append(
            KnockCell(
                row=row,
                column=column,
                where=before.place(row, column),
                spark_before=float(was[row, column]),
                spark_after=float(now[row, column]),
                knock=limit,
                outcome=outcome,
                marks={"knock": spark_ends(limit)},
            )
        )
    return tuple(sorted(found, key=lambda cell: cell.si.knock - cell.si.spark_before))


def load_rises(table: SparkTable) -> tuple[LoadRise, ...]:
    """Return every pair of neighbours along load of which the fuller has more spark.

    Examples
    --------
    >>> axes = {"load_kind": "manifold pressure", "speed": np.array([20.0, 25.0]), "loads": [3e4, 6e4]}
    >>> (rise,) = load_rises(SparkTable(**axes, cells=np.array([[20.0, 20.0], [17.0, 21.0]]), increment=1.0))
    >>> rise.where, rise.fuller, rise.si.spark_fuller - rise.si.spark
    ('1500 rpm, 30 kPa', '1500 rpm, 60 kPa', 4.0)
    """
    cells = table.si.cells
    return tuple(
        LoadRise(
            row=int(r),
            column=int(c),
            where=table.place(r, c),
            fuller=table.place(r, c + 1),
            spark=float(cells[r, c]),
            spark_fuller=float(cells[r, c + 1]),
        )
        for r, c in np.argwhere(np.diff(cells, axis=1) > CLOSE)
    )
