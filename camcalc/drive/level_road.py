"""The level road: which manifold pressure holds the car at a speed in a gear, through a clutch or a converter."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.optimize import brentq

from ..vehicle.converter import converter_of, converter_point
from ..vehicle.coupling import Coupling
from ..vehicle.driveline import Driveline
from ..vehicle.road_load import engine_torque_on_road
from .engine_loop import EngineSide, SparkMap, table_spark
from .no_answer import NoAnswer

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["covers", "held_pressure", "level_road", "turbine_at", "why_not_held"]


def level_road(
    build: Build, engine_side: EngineSide, driveline: Driveline, table: SparkMap, speed: float, gear: int, coupling: Coupling | str
) -> tuple[float, float]:
    """Return the manifold pressure that holds the car on the level, and the turbine's speed; NaN where nothing does, see ``why_not_held``.

    Parameters
    ----------
    build : Build
    engine_side : EngineSide
    driveline : Driveline
    table : SparkMap
    speed : float [rev/s]
        Of the crank.
    gear : int
        Counted from 1.
    coupling : Coupling or str
        ``locked`` or ``converter``.

    Returns
    -------
    pressure : float [Pa]
    turbine : float [rev/s]
        The crank's own speed where it is locked.

    References
    ----------
    Textbook: longitudinal dynamics; the converter's steady torque balance.
    """
    torque, turbine = _road_torque(build, speed, gear, coupling)
    return (math.nan if math.isnan(torque) else held_pressure(engine_side, table, speed, torque)), turbine


def _road_torque(build: Build, speed: float, gear: int, coupling: Coupling | str) -> tuple[float, float]:
    """Return the torque at the crank [N m] that the level road asks for, and the turbine's speed [rev/s]; NaN where no turbine speed holds the car."""
    if Coupling.chosen(coupling, "coupling") is Coupling.LOCKED:
        return engine_torque_on_road(build, speed, build.vehicle.gear_ratios[gear - 1]), speed
    turbine = turbine_at(build, speed, gear)
    if math.isnan(turbine):
        return math.nan, math.nan
    return converter_point(converter_of(build.vehicle), engine_speed=speed, turbine_speed=turbine).engine_torque, turbine


def _spare(engine_side: EngineSide, table: SparkMap, speed: float, torque: float, pressure: float) -> float:
    return engine_side.torque(speed, pressure, table_spark(engine_side, table, speed, pressure)) - torque


def held_pressure(engine_side: EngineSide, table: SparkMap, speed: float, torque: float) -> float:
    """Return the manifold pressure at which the engine makes a torque on the table's spark; NaN if at none.

    Parameters
    ----------
    engine_side : EngineSide
    table : SparkMap
    speed : float [rev/s]
    torque : float [N m]
        At the crank.

    Returns
    -------
    float [Pa]
    """
    below, last = math.nan, math.nan
    for pressure in map(float, engine_side.tables.pressures):
        spare = _spare(engine_side, table, speed, torque, pressure)
        if spare >= 0.0:
            # Not held where even the lightest load makes more, nor where nothing is known of the next lighter one.
            return float(brentq(lambda p: _spare(engine_side, table, speed, torque, p), below, pressure, xtol=1.0)) if math.isfinite(last) else math.nan
        below, last = pressure, spare
    return math.nan


def why_not_held(build: Build, engine_side: EngineSide, table: SparkMap, speed: float, gear: int, coupling: Coupling | str) -> NoAnswer:
    """Return why no manifold pressure holds the car at a point where ``level_road`` finds none.

    Parameters
    ----------
    build : Build
    engine_side : EngineSide
    table : SparkMap
    speed : float [rev/s]
        Of the crank.
    gear : int
        Counted from 1.
    coupling : Coupling or str
    """
    torque, _ = _road_torque(build, speed, gear, coupling)
    tables = engine_side.tables
    if math.isnan(torque):
        return NoAnswer.CONVERTER_DOES_NOT_HOLD
    if not tables.speeds[0] <= speed <= tables.speeds[-1]:
        return NoAnswer.BEYOND_SPEEDS
    found = np.array([_spare(engine_side, table, speed, torque, float(p)) for p in tables.pressures])
    if not (found >= 0.0).any():
        # Where even the fullest load has no cycle nothing is known of the torque.
        return NoAnswer.TOO_LITTLE_TORQUE if math.isfinite(found[-1]) else NoAnswer.NOT_SETTLED
    return NoAnswer.TOO_LIGHT if found[0] >= 0.0 else NoAnswer.NOT_SETTLED


def turbine_at(build: Build, speed: float, gear: int) -> float:
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
