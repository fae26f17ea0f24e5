"""What a late burn costs: cells of a shaped table under the late-burn floor, before and after."""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from ..cycle.operating import EngineModel
from ..results import Measure, Record, measure
from .shaped import ShapedTable

__all__ = ["LateBurn", "late_burns"]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class LateBurn(Record):
    """One cell under the late-burn floor at the same manifold pressure, with the spark it had and the spark it has."""

    where: str
    spark_before: Measure = measure("crank_deg", doc="final spark, before top dead centre")
    spark: Measure = measure("crank_deg", doc="final spark, before top dead centre")
    half_burned_before: Measure = measure("crank_deg", doc="half of what burns is burned, after top dead centre")
    half_burned: Measure = measure("crank_deg", doc="half of what burns is burned, after top dead centre")
    unburned_before: Measure = measure("", "percent", doc="share of the fuel that leaves the cylinder unburned")
    unburned: Measure = measure("", "percent", doc="share of the fuel that leaves the cylinder unburned")
    exhaust_before: Measure = measure("K", "degC", doc="at the port, as computed here")
    exhaust: Measure = measure("K", "degC", doc="at the port, as computed here")
    work_change: Measure = measure("", "percent", doc="gross work after over gross work before, less one")


def late_burns(engine: EngineModel, shaped: ShapedTable, manifold_pressure: NDArray[np.float64], *, adders: float = 0.0) -> tuple[LateBurn, ...]:
    """Return what each cell below the floor that changed was and is, the one whose unburned fuel grows most first.

    Parameters
    ----------
    engine : EngineModel
    shaped : ShapedTable
        Shaped with a floor.
    manifold_pressure : array [Pa], shape (speeds, loads)
        Of every cell of the table; cells where it is not-a-number are left out.
    adders : float [crank deg]
        What stands on top of the table.
    """
    found = []
    for below in shaped.below_floor:
        pressure = manifold_pressure[below.row, below.column]
        if not np.isfinite(pressure) or below.si.spark == below.si.spark_before:
            continue
        speed = float(shaped.table.si.speed[below.row])
        was, now = (engine.state(speed, float(pressure), float(spark) + adders) for spark in (below.si.spark_before, below.si.spark))
        # An exhaust that does not move by this [K] does not answer to spark in the model.
        answers = abs(now.exhaust_temperature - was.exhaust_temperature) > 1e-6
        found.append(
            LateBurn(
                where=below.where,
                spark_before=was.spark,
                spark=now.spark,
                half_burned_before=was.half_burned,
                half_burned=now.half_burned,
                unburned_before=1.0 - was.completeness,
                unburned=1.0 - now.completeness,
                exhaust_before=was.exhaust_temperature if answers else np.nan,
                exhaust=now.exhaust_temperature if answers else np.nan,
                work_change=now.gross / was.gross - 1.0 if was.gross > 0.0 else np.nan,
            )
        )
    return tuple(sorted(found, key=lambda cell: cell.si.unburned_before - cell.si.unburned))
