"""The level road: which manifold pressure holds the car at a speed in a gear, through a clutch or a converter."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.optimize import brentq

from ..vehicle.converter import converter_of, converter_point
from ..vehicle.driveline import Driveline
from ..vehicle.road_load import engine_torque_on_road
from .engine_loop import EngineSide, SparkMap, table_spark

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["covers", "held_pressure", "level_road"]


def level_road(build: Build, engine_side: EngineSide, driveline: Driveline, table: SparkMap, speed: float, gear: int, coupling: str) -> tuple[float, float]:
    """Return the manifold pressure [Pa] that holds the car on the level, and the turbine's speed [rev/s]; NaN where nothing does."""
    turbine = speed
    if coupling == "locked":
        torque = engine_torque_on_road(build, speed, build.vehicle.gear_ratios[gear - 1])
    else:
        turbine = _turbine(build, speed, gear)
        if math.isnan(turbine):
            return math.nan, math.nan
        torque = converter_point(converter_of(build.vehicle), engine_speed=speed, turbine_speed=turbine).engine_torque
    return held_pressure(engine_side, table, speed, torque), turbine


def held_pressure(engine_side: EngineSide, table: SparkMap, speed: float, torque: float) -> float:
    """Return the manifold pressure [Pa] at which the engine makes a torque [N m] at a speed [rev/s] on the table's spark; NaN if at none."""

    def spare(pressure: float) -> float:
        return engine_side.torque(speed, pressure, table_spark(engine_side, table, speed, pressure)) - torque

    pressures = list(map(float, engine_side.tables.pressures))
    found = np.array([spare(p) for p in pressures])
    above = np.flatnonzero(found >= 0.0)
    if above.size == 0 or above[0] == 0 or not math.isfinite(found[above[0] - 1]):
        return math.nan
    k = int(above[0])
    return float(brentq(spare, pressures[k - 1], pressures[k], xtol=1.0))


def _turbine(build: Build, speed: float, gear: int) -> float:
    """Return the turbine speed [rev/s] at which an open converter at an engine speed holds the car on the level; NaN if none does."""
    converter = converter_of(build.vehicle)
    ratio = build.vehicle.gear_ratios[gear - 1]

    def spare(turbine: float) -> float:
        given = converter_point(converter, engine_speed=speed, turbine_speed=turbine).turbine_torque
        return given - engine_torque_on_road(build, turbine, ratio)

    low, high = 0.02 * speed, 0.9999 * speed
    if spare(low) < 0.0 or spare(high) > 0.0:
        return math.nan
    return float(brentq(spare, low, high, xtol=1e-4))


def covers(table: Any, speed: float, load: float) -> bool:
    """Return whether a table has cells at a speed and load."""
    speeds, loads = table.si.speed, table.loads
    return bool(speeds[0] <= speed <= speeds[-1] and loads[0] <= load <= loads[-1])
