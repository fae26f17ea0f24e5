"""The idle in neutral as a loop: does it settle, or hunt until an idle control holds it."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import numpy as np

from ..advice.idle import IdleState, idle_state
from ..codes import Code
from ..cycle.engine_tables import engine_tables
from ..errors import NoSolutionError
from ..results import Measure, Record, measure
from ..vehicle.driveline import StateSpace
from .closed_loop import ClosedLoop
from .engine_loop import SparkMap, engine_side_of, loop_point

if TYPE_CHECKING:
    from ..cycle.operating import EngineModel

__all__ = ["IdleHunting", "IdleSwing", "idle_swing", "idle_swing_in_neutral"]

# The tables about an idle: so far to either side [rev/s, Pa, crank deg], short since cycles cease close by.
SPEED, PRESSURE, SPARK = 60.0 / 60.0, 2e3, 6.0
# What grows is looked for between these [Hz]; the swing of speed and manifold pressure lies well within.
SLOWEST, FASTEST = 0.1, 6.0
# With so little damping a swing takes long to die away; ESTIMATE.
LITTLE = 0.1


class IdleHunting(Code):
    """Whether an idle with a held throttle hunts: speed that cycles by itself."""

    HUNTS = "hunts: no damping, so that an idle control must hold the speed"
    HUNTS_LONG = "little damping: hunts long after each disturbance"
    SETTLES = "damped: settles without an idle control"
    NO_SWING = "no swing from 0.1 Hz to a quarter of the cycles' own frequency that is damped less than 0.75"
    NO_ANSWER = "no answer: cycles cease to settle close by"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class IdleSwing(Record):
    """The own swing of an idle in neutral with a held throttle: no idle control, no driver."""

    hunting: IdleHunting
    speed: Measure = measure("crank_rps", "rpm")
    frequency: Measure = measure("Hz", doc="blank where nothing swings")
    damping: Measure = measure("", doc="over critical; below zero the idle hunts")


def idle_swing(engine: EngineModel, state: IdleState, table: SparkMap) -> IdleSwing:
    """Return how an idle swings about a state it was found in, with the slopes that a table has there.

    Parameters
    ----------
    engine : EngineModel
    state : IdleState
        In neutral; its spark is the idle's.
    table : SparkMap
        Its slopes alone count.

    Notes
    -----
    The same loop as of a gear, with what cycles remember and a plenum that moves, on a crank alone. A charge that turns worse as speed falls, by
    dilution, undamps; friction damps.
    """
    si = state.si
    local = engine_tables(
        engine,
        np.array([si.speed - SPEED, si.speed, si.speed + SPEED]),
        np.array([si.manifold_pressure - PRESSURE, si.manifold_pressure, si.manifold_pressure + PRESSURE]),
        np.array([si.spark - SPARK, si.spark, si.spark + SPARK]),
        net=False,
    )
    engine_side = engine_side_of(engine.build, local)
    point = loop_point(engine_side, table, si.speed, si.manifold_pressure, si.spark)
    if point is None:
        return IdleSwing(hunting=IdleHunting.NO_ANSWER, speed=si.speed, frequency=None, damping=None)
    inertia = engine.build.engine.si.rotating_inertia
    neutral = StateSpace(np.zeros((1, 1)), np.array([1.0 / inertia]), np.ones(1), np.zeros(1))
    mode = ClosedLoop.of(neutral, engine_side, point).mode((SLOWEST, FASTEST))
    if mode is None:
        return IdleSwing(hunting=IdleHunting.NO_SWING, speed=si.speed, frequency=None, damping=None)
    return IdleSwing(hunting=_hunting(mode.damping), speed=si.speed, frequency=mode.frequency, damping=mode.damping)


def _hunting(damping: float) -> IdleHunting:
    if damping <= 0.0:
        return IdleHunting.HUNTS
    return IdleHunting.HUNTS_LONG if damping < LITTLE else IdleHunting.SETTLES


def idle_swing_in_neutral(engine: EngineModel, table: SparkMap) -> IdleSwing | None:
    """Return how the idle in neutral, as the build asks for it, swings with a table's slopes; nothing where the engine does not idle.

    Parameters
    ----------
    engine : EngineModel
    table : SparkMap
        Its slopes alone count.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build, read_table
    >>> engine = QuickEngine(load_build("examples/long-meadow/build.toml"))
    >>> swing = idle_swing_in_neutral(engine, read_table("examples/quarry-road/spark.csv"))
    >>> abs(swing.si.damping) < 0.1  # an idle without control is close to self-excited
    True
    """
    try:
        return idle_swing(engine, idle_state(engine), table)
    except NoSolutionError:
        return None
