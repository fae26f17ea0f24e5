"""What shaping has done to a table: every changed cell with its reasons, the rim outside the zone, knock, the steepest slopes before and after."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..cautions import OVER_SPARK_TABLE, Caution
from ..codes import AppliesTo, Code
from ..marks import Mark, Marks
from ..results import Measure, Record, measure
from .axes import LOADS
from .hazards import KnockCell, LoadRise
from .table import SparkTable

__all__ = ["BelowFloor", "CellChange", "Fallback", "Neighbours", "Reason", "ShapedTable", "SteepestSlopes", "When", "steepest"]


class Reason(Code):
    """Why a cell changed."""

    CEILING = "above the ceiling"
    KNOCK = "above the knock limit less its margin"
    SLOPE = "slope to a neighbour"
    RISE = "above a lighter load"
    RAISED = "raised, so that neighbours fall less"
    ADDED_BACK = "visited without surge"


class Fallback(Code):
    """The axes on which a limit per cell stands in for a slope limit that is not known."""

    ALONG_SPEED = "along the speed axis"
    ALONG_LOAD = "along the load axis"


class Neighbours(Code):
    """Which neighbours a steepest slope is of."""

    TOUCH_THE_ZONE = "neighbours that touch the low-speed zone"
    ALL = "whole table"


class When(Code):
    """Of which table a figure is."""

    BEFORE = "before shaping"
    AFTER = "after shaping"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CellChange(Record):
    """One cell that changed; row and column count the table's cells from 0."""

    row: int
    column: int
    where: str
    spark_before: Measure = measure("crank_deg")
    spark_after: Measure = measure("crank_deg")
    in_zone: bool
    reasons: tuple[Reason, ...]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class BelowFloor(Record):
    """One cell whose spark is so late that the burn is; row and column count the table's cells from 0."""

    row: int
    column: int
    where: str
    spark: Measure = measure("crank_deg")
    floor: Measure = measure("crank_deg")
    spark_before: Measure = measure("crank_deg")
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SteepestSlopes(Record):
    """The greatest differences between neighbours; slopes along load are per usual step of the table's kind of load."""

    of: Neighbours
    when: When
    per_cell: Measure = measure("crank_deg")
    along_speed: Measure = measure("crank_deg/crank_rps", "crank_deg/krpm")
    along_load: Measure = measure("crank_deg", doc="per load_step")
    load_step: str


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ShapedTable(Record):
    """A shaped table beside the one it came from. Ceilings are for final spark: with corrections on top of the table, it must lie lower by them.

    ``knock_cells`` are the cells of the supplied table above their knock limit, or less than ``knock_margin`` below it. ``knock_known`` says
    in which cells knock was computed: elsewhere nothing is known, which is no permission. ``rises`` is where spark still rises with load, as in the
    supplied table; ``fallbacks`` the axes on which a limit per cell stands in for a slope limit that is not known.
    """

    base: SparkTable
    table: SparkTable
    changes: tuple[CellChange, ...]
    below_floor: tuple[BelowFloor, ...]
    slopes: tuple[SteepestSlopes, ...]
    zone: NDArray[np.bool_] = dataclasses.field(repr=False)
    knock_cells: tuple[KnockCell, ...] = ()
    knock_known: NDArray[np.bool_] | None = dataclasses.field(default=None, repr=False)
    knock_margin: Measure = measure("crank_deg")
    least_spark: Measure = measure("crank_deg")
    rises: tuple[LoadRise, ...] = ()
    fallbacks: tuple[Fallback, ...] = ()
    applies_to: AppliesTo = AppliesTo.FINAL_SPARK

    @property
    def rim(self) -> tuple[CellChange, ...]:
        """What changed outside the zone."""
        return tuple(change for change in self.changes if not change.in_zone)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON, the rim and the cautions listed too."""
        return {
            **super().to_dict(),
            "rim": [change.to_dict() for change in self.rim],
            "cautions": [*OVER_SPARK_TABLE, Caution.LAW],
            "marks": [Mark.BLANK],
        }


def steepest(before: SparkTable, after: SparkTable, zone: NDArray[np.bool_]) -> tuple[SteepestSlopes, ...]:
    """Return the steepest slopes of both tables, of neighbours that touch the zone and of all."""
    along_speed, along_load = zone[1:] | zone[:-1], zone[:, 1:] | zone[:, :-1]
    everywhere = np.ones_like(along_speed), np.ones_like(along_load)
    found = []
    for of, counts in ((Neighbours.TOUCH_THE_ZONE, (along_speed, along_load)), (Neighbours.ALL, everywhere)):
        found += [_steepest(table, of, when, *counts) for when, table in ((When.BEFORE, before), (When.AFTER, after)) if any(c.any() for c in counts)]
    return tuple(found)


def _steepest(table: SparkTable, of: Neighbours, when: When, along_speed: NDArray[np.bool_], along_load: NDArray[np.bool_]) -> SteepestSlopes:
    by_speed = np.abs(np.diff(table.si.cells, axis=0)) * along_speed
    by_load = np.abs(np.diff(table.si.cells, axis=1)) * along_load
    load = LOADS[table.load_kind]
    return SteepestSlopes(
        of=of,
        when=when,
        per_cell=max(by_speed.max(), by_load.max()),
        along_speed=(by_speed / np.diff(table.si.speed)[:, None]).max(),
        along_load=(by_load / np.diff(table.loads)).max() * load.step,
        load_step=load.step_words,
    )
