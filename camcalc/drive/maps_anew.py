"""A run over time that takes its cylinders' maps anew where it has come far from where they were taken, and stays there."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..cycle.memory import Given
from .engine_loop import table_spark
from .event_kernel import run_on
from .maps_kernel import near
from .plenum import plenum_pressure
from .run_setup import cylinders_of
from .run_state import CHANNELS, Moving, Now, World

if TYPE_CHECKING:
    from .engine_loop import EngineSide, SparkMap

__all__ = ["run_anew"]

Array = NDArray[np.float64]

TURN = 2.0 * math.pi
# Where no cycle settles the old maps go on for so long [s] before others are looked for. ESTIMATE, a few times as long as the gas remembers.
LOOKS_AGAIN = 2.0


def run_anew(world: World, now: Moving, every: int, engine_side: EngineSide, table: SparkMap) -> tuple[Array, int]:
    """Run over the steps of ``signals.opening``; return the channels, one row each ``every`` steps, and how many rows were reached before a stall.

    Parameters
    ----------
    world : World
    now : Moving
        The start; changed.
    every : int
        Steps for each row kept.
    engine_side : EngineSide
        Of the engine that the maps are of.
    table : SparkMap
    """
    rows = np.zeros((world.signals.opening.size // every, len(CHANNELS)))
    leaves, step, far = not world.engine.still, 0, True
    while far:
        step, far = run_on(world, now, every, step, rows, leaves)
        if far:
            world = _about(world, now, engine_side, table)
    return rows, step // every


def _about(world: World, now: Moving, engine_side: EngineSide, table: SparkMap) -> World:
    """Return the world with maps about where the run is; the old ones where no cycle settles there."""
    s, old = now.scalars, world.engine
    speed, pressure = float(now.driveline[0]) / TURN, float(plenum_pressure(world.plenum, now.plenum))
    tables = engine_side.tables
    # Beyond the tables the nearest maps there are.
    speed = min(max(speed, float(tables.speeds[0])), float(tables.speeds[-1]))
    pressure = min(max(pressure, float(tables.pressures[0])), float(tables.pressures[-1]))
    spark = table_spark(engine_side, table, speed, pressure)
    if not (math.isfinite(spark) and math.isfinite(tables.at(speed, pressure, spark)["net"])):
        s[Now.FAR] = -LOOKS_AGAIN
        return world
    new, _ = cylinders_of(engine_side, table, speed, pressure)
    # Without memory there are no maps; those of the same point are no others.
    if new.still or (abs(new.at[0] - old.at[0]) < 1e-9 and abs(new.at[1] - old.at[1]) < 1e-9):
        s[Now.FAR] = -LOOKS_AGAIN
        return world
    # The run has stayed about there for longer than the gas remembers: cylinders are as settled ones.
    now.states[:] = 0.0
    off = np.array([now.driveline[0], s[Now.PRESSURE], 0.0, now.plenum[1], now.plenum[2]]) - new.at
    off[Given.SPARK] = 0.0
    now.before[:] = off
    for induced, felt in zip(now.induced, now.felt, strict=True):
        felt[:] = [near(value - at, most) for value, at, most in zip(induced, new.at, new.furthest, strict=False)]
    # What is sent and on the walls is counted in the air of the point.
    now.sent[:] *= old.air / new.air
    now.wall[:] *= old.air / new.air
    s[Now.FAR] = 0.0
    return world._replace(engine=new)
