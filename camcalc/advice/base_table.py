"""What going from the supplied table's spark to the ceiling does at equal torque."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Protocol

import numpy as np

from ..cycle.load_axis import load_of
from ..cycle.operating import EngineModel
from ..marks import Mark, Marks
from ..results import Measure, Record, measure
from .equal_torque import pressure_at_equal_torque
from .spark import AppliesTo, SparkCeilings

__all__ = ["BaseTableCell", "compare_with_base", "spark_of_table"]


class Table(Protocol):
    """What is asked of a spark table: spark [crank deg] at speeds [rev/s] and loads of its kind, SI."""

    @property
    def load_kind(self) -> str:
        """Which kind of load its axis has."""
        ...

    def spark_at(self, speed: float, load: float) -> float:
        """Return spark, edges held."""
        ...


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class BaseTableCell(Record):
    """One cell of the zone: from the supplied table's spark to the ceiling, the car doing the same.

    Changes are at the ceiling less at the table's spark. The ceiling is for final spark: table plus every correction.
    """

    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa", doc="at the table's spark")
    table_spark: Measure = measure("crank_deg")
    ceiling: Measure = measure("crank_deg")
    pressure_change: Measure = measure("Pa", "kPa")
    burned_fraction: Measure = measure("", "percent", doc="at the table's spark")
    burned_fraction_change: Measure = measure("", "percent")
    fuel_change: Measure = measure("", "percent", doc="fuel per cycle over that at the table's spark")
    efficiency: Measure = measure("", "percent", doc="net indicated work over the fuel's heat, at the table's spark")
    efficiency_change: Measure = measure("", "percent")
    exhaust_temperature_change: Measure = measure("K", "K")
    applies_to: AppliesTo = AppliesTo.FINAL_SPARK
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


def spark_of_table(engine: EngineModel, table: Table, speed: float, pressure: float) -> float:
    """Return a table's spark at a speed and manifold pressure [Pa], whatever its load axis: air depends on spark a little, so twice.

    Parameters
    ----------
    engine : EngineModel
    table : Table
        In any kind of load.
    speed : float
        Crank speed [rev/s].
    pressure : float
        Manifold pressure [Pa], absolute.
    """
    spark = 25.0
    for _ in range(3):
        spark = table.spark_at(speed, load_of(engine, speed, pressure, spark, table.load_kind))
    return float(spark)


def compare_with_base(engine: EngineModel, ceilings: SparkCeilings, table: Table) -> tuple[BaseTableCell, ...]:
    """Return the zone's cells where the supplied table passes the ceiling."""
    found = []
    for (row, column), ceiling in np.ndenumerate(ceilings.si.ceiling):
        if not math.isfinite(ceiling):
            continue
        speed, pressure = float(ceilings.si.speed[column]), float(ceilings.si.manifold_pressure[row])
        spark = spark_of_table(engine, table, speed, pressure)
        if spark <= ceiling:
            continue
        was = engine.state(speed, pressure, spark)
        at = pressure_at_equal_torque(engine, speed, was.net, float(ceiling), start=pressure) if was.net > 0.0 else None
        nan = math.nan
        cell = BaseTableCell(
            speed=speed,
            manifold_pressure=pressure,
            table_spark=spark,
            ceiling=ceiling,
            burned_fraction=was.burned_fraction,
            efficiency=_efficiency(engine, was.net, was.fuel),
            pressure_change=nan,
            burned_fraction_change=nan,
            fuel_change=nan,
            efficiency_change=nan,
            exhaust_temperature_change=nan,
            marks={"ceiling": ceilings.mark("ceiling", row, column), "table_spark": Mark.KNOCKS if spark > ceilings.si.knock[row, column] else None},
        )
        if at is not None:
            now = engine.state(speed, at, float(ceiling))
            cell = cell.replace(
                pressure_change=at - pressure,
                burned_fraction_change=now.burned_fraction - was.burned_fraction,
                fuel_change=now.fuel / was.fuel - 1.0,
                efficiency_change=_efficiency(engine, now.net, now.fuel) - _efficiency(engine, was.net, was.fuel),
                exhaust_temperature_change=now.exhaust_temperature - was.exhaust_temperature,
            )
        found.append(cell)
    return tuple(found)


def _efficiency(engine: EngineModel, net: float, fuel: float) -> float:
    return net * engine.geometry.swept / (fuel * engine.fuel.heating_value)
