"""Surge damping and shaking of a build at a point of the level road on a spark table."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..advice.equal_torque import road_net_imep
from ..advice.idle import IDLE_REACH
from ..cycle import engine_tables as whole
from ..cycle.load_axis import load_of
from ..cycle.operating import barometer, pressure_for_net_imep
from ..drive.engine_loop import PRESSURE_STEP, SPARK_STEP, SPEED_STEP
from ..drive.risk import surge_risk
from ..errors import CamcalcError
from ..marks import Mark
from ..tables import SparkTable
from ..vehicle.acceleration_weighting import SurgeGrade
from ..vehicle.road_load import road_speed
from .findings import NoFigure

if TYPE_CHECKING:
    from ..cycle.operating import EngineModel
    from ..sheet import Build

__all__ = ["CRUISE_ROAD_SPEED", "Damped", "DampingPoint", "damping_at", "damping_points", "shaking_of"]

Array = NDArray[np.float64]

# A quiet main road, 80 km/h; ESTIMATE.
CRUISE_ROAD_SPEED = 80.0 / 3.6
# How far about the expected manifold pressure [Pa] and spark [crank deg] cycles are settled: looked up between tabulated points
# the road load comes out some 0.3 kPa and 0.3 degrees away from there.
PRESSURE_REACH, SPARK_REACH = 1.5e3, 1.5


class DampingPoint(NamedTuple):
    """Where damping is looked at: a gear, a crank speed [rev/s], the spark table taken as final spark."""

    gear: int
    speed: float
    table: SparkTable


class Damped(NamedTuple):
    """Damping over critical and its mark, expected shaking along the road [m/s2 r.m.s.], and its grade or why there is none."""

    damping: float
    acceleration: float
    found: SurgeGrade | NoFigure
    mark: Mark | None = None

    def figures(self, name: str) -> dict[str, float]:
        """Return both figures by name: ``cruise_damping`` and ``cruise_shaking``."""
        return {name: self.damping, shaking_of(name): self.acceleration}


def shaking_of(name: str) -> str:
    """Return the name of a point's shaking from that of its damping.

    >>> shaking_of("cruise_damping")
    'cruise_shaking'
    """
    return name.replace("damping", "shaking")


def damping_points(build: Build, table: SparkTable, idle_speed: float) -> dict[str, DampingPoint]:
    """Return both points of a car: the cruise in the tallest gear to be kept smooth, and in the shortest just above the zone of an idle speed [rev/s]."""
    ratios = build.vehicle.gear_ratios
    by_ratio = sorted(build.vehicle.smooth_gears, key=lambda g: ratios[g - 1])
    tallest, shortest = by_ratio[0], by_ratio[-1]
    cruise = CRUISE_ROAD_SPEED / road_speed(build.vehicle, 1.0, ratios[tallest - 1])
    return {"cruise_damping": DampingPoint(tallest, cruise, table), "slow_damping": DampingPoint(shortest, idle_speed + IDLE_REACH, table)}


def damping_at(engine: EngineModel, point: DampingPoint) -> Damped:
    """Return the damping at a point of the level road."""
    speeds = whole.nodes_about(whole.SPEEDS, point.speed - SPEED_STEP, point.speed + SPEED_STEP)
    if not whole.SPEEDS[0] <= point.speed - SPEED_STEP <= point.speed + SPEED_STEP <= whole.SPEEDS[-1]:
        return Damped(math.nan, math.nan, NoFigure.BEYOND_SURGE_SPEEDS)
    try:
        pressure, spark = _expected(engine, point)
        # Only the cycles about the point are settled: a look-up takes no others.
        reach, turn = PRESSURE_REACH + PRESSURE_STEP, SPARK_REACH + SPARK_STEP
        pressures = whole.nodes_about(whole.PRESSURES, pressure - reach, pressure + reach)
        tables = whole.engine_tables(engine, speeds, pressures, whole.nodes_about(whole.SPARKS, spark - turn, spark + turn), net=False)
        found = surge_risk(_rubbing(engine), point.table, gear=point.gear, engine_tables=tables, speeds=np.array([point.speed]), over_time=False)
    except CamcalcError:
        return Damped(math.nan, math.nan, NoFigure.NOT_ON_THIS_TABLE)
    return Damped(float(found.si.damping[0]), float(found.si.acceleration[0]), found.verdict[0], found.mark("damping", 0))


def _expected(engine: EngineModel, point: DampingPoint) -> tuple[float, float]:
    """Return the manifold pressure [Pa] and spark [crank deg] of the level road on the point's table, good enough to look around."""
    table, speed = point.table, point.speed
    net = road_net_imep(engine, speed, engine.build.vehicle.gear_ratios[point.gear - 1])
    pressure, spark = pressure_for_net_imep(engine, speed, net, None), engine.best_spark(speed, barometer(engine))
    for _ in range(2):
        spark = float(table.spark_at(speed, load_of(engine, speed, pressure, spark, table.load_kind)))
        pressure = pressure_for_net_imep(engine, speed, net, spark, near=pressure)
    return pressure, spark


def _rubbing(engine: EngineModel) -> Build:
    """Return the model's build with the friction of its tolerances, which its cycles do not hold."""
    build, factor = engine.build, engine.tolerances.friction
    return build if factor == 1.0 else build.replace(engine=build.engine.replace(friction_factor=factor * build.engine.friction_factor))
