"""What a build allows on the cells of its spark table: ceilings, knock, the late-burn floor, all less what stands on top of the table."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..advice.knock_edge import SEARCHED
from ..advice.table_ceilings import TableCeilings, ceilings_on_table
from ..cycle.operating import EngineModel, refuse_teaching
from ..units import Bounds, to_si
from .table import SparkTable

__all__ = ["BuildLimits", "build_limits"]

Array = NDArray[np.float64]

# Corrections on top of a table [crank deg]; more than this is a slip.
ADDERS = Bounds("crank_deg", 0.0, 40.0)


class BuildLimits(NamedTuple):
    """What a build allows on the cells of a table; ``found`` are the ceilings of final spark, ``adders`` what stands on top of the table [crank deg]."""

    engine: EngineModel
    table: SparkTable
    found: TableCeilings
    adders: float = 0.0

    @property
    def ceiling(self) -> Array:
        """Ceilings of the table's own spark [crank deg]."""
        return self.found.ceiling - self.adders

    @property
    def best(self) -> Array:
        """The least of best torque and knock for the table's own spark [crank deg]."""
        return self.found.best - self.adders

    @property
    def knock(self) -> dict[str, Any]:
        """Knock as ``shape_table`` and ``add_back`` take it; not computed where a cell is beyond the sparks that were searched."""
        limits = self.engine.build.limits
        with np.errstate(invalid="ignore"):
            beyond = np.isposinf(self.found.knock) & (self.table.si.cells + self.adders > self.found.best + SEARCHED)
        return {"knock": np.where(beyond, np.nan, self.found.knock - self.adders), "knock_margin": limits.spark_margin, "least_spark": limits.least_spark}

    @property
    def uncured(self) -> NDArray[np.bool_]:
        """The cells that spark alone cannot fix."""
        return np.isfinite(self.found.ceiling) & ~self.found.cured

    @property
    def floor(self) -> Array:
        """The late-burn floor [crank deg] where shaping may lower a cell: in the zone, and above the knock limit; elsewhere the table stays."""
        touched = np.isfinite(self.found.ceiling) | (self.table.si.cells + self.adders > self.found.knock - self.engine.build.limits.si.spark_margin)
        return np.where(touched, self.found.floor - self.adders, np.nan)


def build_limits(engine: EngineModel, table: SparkTable, *, adders: Any = "0 crank_deg") -> BuildLimits:
    """Return what a build allows on the cells of a spark table: most of the time that shaping takes.

    Parameters
    ----------
    engine : EngineModel
    table : SparkTable
    adders : quantity [crank angle]
        Most that stands on top of the table, 0 to 40 degrees.

    Returns
    -------
    BuildLimits

    Raises
    ------
    InputError
        If the engine model is for teaching only, or the adders are out of range.

    Examples
    --------
    >>> from camcalc import InputError, QuickEngine, load_build, read_table
    >>> build = load_build("examples/long-meadow/build.toml")
    >>> try:
    ...     build_limits(QuickEngine(build), read_table("examples/quarry-road/spark.csv"))
    ... except InputError as error:
    ...     print(error.came, "-", error.expected)
    quick closed forms - a model that knows knock, for a shaped table
    """
    refuse_teaching(engine, "a shaped table")
    above = float(to_si(adders, "adders", ADDERS))
    return BuildLimits(engine, table, ceilings_on_table(engine, table.si.speed, table.loads, table.load_kind), above)
