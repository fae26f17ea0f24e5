"""Along the line of equal torque: retard spark, open the throttle, and see whether the cycles grow steadier."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from ..codes import Code
from ..constants import mean_pressure_of_torque
from ..cycle.operating import LEAST_PRESSURE, EngineModel, OperatingState, barometer, pressure_for_net_imep
from ..cycle.work_variation import work_spread
from ..errors import NoSolutionError
from ..vehicle.road_load import engine_torque_on_road
from .idle import load_terms

__all__ = ["LevelOfSpark", "LinePoint", "SteadyLimit", "equal_torque_line", "pressure_at_equal_torque", "road_net_imep", "steady_limit"]

RETARD_STEP = 4.0
MOST_RETARD = 44.0
# Along the line the variation must change by this share for the level of spark to count; ESTIMATE.
LEVEL_DECIDES = 0.10
CLOSE = 1e-3  # of the torque asked for
# The secant finds a smooth torque within so many points; after them the answer is bracketed.
SECANT_POINTS = 6
# Pressures this close [Pa] are one; sought down in steps to this share of the load.
SAME_PRESSURE, LIGHTER = 1.0, 0.8


class LevelOfSpark(Code):
    """What the level of spark does to steadiness along a line of equal torque."""

    STEADY = "steady at MBT spark; no later spark is asked for"
    DECIDES = "a later spark at equal torque is steady"
    FLATTEN = "a later spark changes steadiness too little; keep spark level from cell to cell"
    NOT_CURED = "spark alone does not make it steady; raise speed, change gear or cam"


class LinePoint(NamedTuple):
    """A point of the line: spark crank deg before top dead centre, pressure Pa, coefficient of variation, the mean cycle."""

    spark: float
    pressure: float
    variation: float
    state: OperatingState


class SteadyLimit(NamedTuple):
    """The largest spark on a line that is steady enough, and the pressure it needs [Pa]; NaN where the level of spark does not decide."""

    spark: float
    pressure: float
    level: LevelOfSpark


def road_net_imep(engine: EngineModel, speed: float, gear_ratio: float) -> float:
    """Return the net IMEP [Pa] that holds the car on the level at a crank speed [rev/s], rubbing friction included."""
    torque = engine_torque_on_road(engine.build, speed, gear_ratio)
    return mean_pressure_of_torque(torque, engine.geometry.displacement) + load_terms(engine, speed, drive=False, accessories=False).friction


def pressure_at_equal_torque(engine: EngineModel, speed: float, net: float, spark: float, *, start: float, step: float = 2e3) -> float | None:
    """Return the pressure [Pa] that gives a net IMEP [Pa] at a spark, sought from ``start``.

    None where torque does not rise through it at any pressure up to the barometer, or only in the leap of a cycle that dies.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    net : float
        Net IMEP to be reached [Pa].
    spark : float
        Before top dead centre [crank deg].
    start : float
        Manifold pressure that the search begins at [Pa].
    step : float
        First step of the search [Pa].
    """
    top, close = barometer(engine), CLOSE * abs(net)
    tried: dict[float, OperatingState] = {}

    def excess(pressure: float) -> float:
        if pressure not in tried:
            tried[pressure] = engine.state(speed, pressure, spark)
        return tried[pressure].net - net

    p0 = min(start, top)
    f0 = excess(p0)
    if abs(f0) < close:
        return p0
    p1 = float(np.clip(p0 + math.copysign(step, -f0), 0.3 * p0, top))
    for _ in range(SECANT_POINTS - 1):
        f1 = excess(p1)
        if abs(f1) < close:
            return p1
        if f1 == f0 or p1 == p0:
            break
        slope = (f1 - f0) / (p1 - p0)
        # Torque rises with pressure; where it does not, a cycle is dying: go up.
        aim = p1 - f1 / slope if slope > 0.0 else p1 + step
        p0, f0, p1 = p1, f1, float(np.clip(aim, p1 - 8e3, min(p1 + 8e3, top)))
    return _bracketed(excess, tried, top, close)


def _bracketed(excess: Callable[[float], float], tried: dict[float, OperatingState], top: float, close: float) -> float | None:
    """Return the pressure [Pa] where torque rises through what is asked for; None where it does not, or only in the leap of a cycle that dies."""
    from scipy.optimize import brentq

    def crossings() -> list[tuple[float, float]]:
        return [(low, high) for low, high in itertools.pairwise(sorted(tried)) if excess(low) < 0.0 <= excess(high)]

    if not crossings() and excess(max(tried)) < 0.0:
        excess(top)
    while not crossings() and excess(min(tried)) >= 0.0 and min(tried) > LEAST_PRESSURE:
        excess(LIGHTER * min(tried))
    if not crossings():
        return top if top in tried and abs(excess(top)) < close else None
    # With much dilution two pressures can give one torque; the upper one is steady.
    low, high = crossings()[-1]
    brentq(lambda p: excess(p) if abs(excess(p)) >= close else 0.0, low, high, xtol=SAME_PRESSURE)
    nearest = min((p for p in tried if low <= p <= high), key=lambda p: abs(excess(p)))
    return nearest if abs(excess(nearest)) < close else None


def equal_torque_line(engine: EngineModel, speed: float, net: float, *, settled_under: float = 0.0) -> list[LinePoint]:
    """Return the line from best-torque spark to the latest burn that the sheet allows, for a net IMEP [Pa] at a speed [rev/s].

    A line that begins no less steady than ``settled_under`` is not followed.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    net : float
        Net IMEP to be held [Pa].
    settled_under : float
        COV of IMEP, as a share.

    Raises
    ------
    NoSolutionError
        If even best torque does not reach it.
    """
    limits = engine.build.limits
    pressure = pressure_for_net_imep(engine, speed, net, None)
    best = engine.best_spark(speed, pressure)
    found = pressure_at_equal_torque(engine, speed, net, best, start=pressure, step=500.0)
    points: list[LinePoint] = []
    if found is None:
        return points
    spark, ahead = best, found
    while spark >= best - MOST_RETARD:
        spread = work_spread(engine, speed, found, spark)
        points.append(LinePoint(spark, found, spread.variation, spread.mean))
        if len(points) == 1 and spread.variation <= settled_under:
            break
        mean = spread.mean
        if not mean.runs or mean.half_burned > limits.si.latest_half_burned or mean.exhaust_temperature > limits.si.hottest_exhaust:
            break
        spark -= RETARD_STEP
        ahead = found + (found - points[-2].pressure if len(points) > 1 else 500.0)
        solved = pressure_at_equal_torque(engine, speed, net, spark, start=ahead)
        if solved is None:
            break
        found = solved
    return points


def steady_limit(engine: EngineModel, speed: float, net: float, line: list[LinePoint]) -> SteadyLimit:
    """Return the largest spark on a line whose variation stays under the sheet's stability limit.

    What the line says does not depend on the limit asked for: a shallow line has no level to choose, whatever the limit;
    on a deep one that never gets under it, the steadiest spark stands as ``NOT_CURED``.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    net : float
        Net IMEP of the line [Pa].
    line : list of LinePoint
        From best torque on, as ``equal_torque_line()`` gives it.
    """
    limit, nan = engine.build.limits.stability, math.nan
    if not line or line[0].variation <= limit:
        return SteadyLimit(nan, nan, LevelOfSpark.STEADY)
    varied = np.array([p.variation for p in line])
    least = int(np.argmin(varied))
    if varied[least] > (1.0 - LEVEL_DECIDES) * varied[0]:
        burnt_late = len(line) < 2
        return SteadyLimit(nan, nan, LevelOfSpark.NOT_CURED if burnt_late else LevelOfSpark.FLATTEN)
    if varied[least] > limit:
        return SteadyLimit(line[least].spark, line[least].pressure, LevelOfSpark.NOT_CURED)
    k = int(np.argmax(varied <= limit))
    share = (varied[k - 1] - limit) / (varied[k - 1] - varied[k])
    spark = line[k - 1].spark + share * (line[k].spark - line[k - 1].spark)
    near = line[k - 1].pressure + share * (line[k].pressure - line[k - 1].pressure)
    pressure = pressure_at_equal_torque(engine, speed, net, spark, start=near, step=300.0)
    return SteadyLimit(spark, near if pressure is None else pressure, LevelOfSpark.DECIDES)


def road_line(engine: EngineModel, speed: float, gear: int) -> tuple[float, list[LinePoint]] | None:
    """Return the net IMEP [Pa] and the line of a gear's road load, or None where the engine cannot hold it."""
    try:
        net = road_net_imep(engine, speed, engine.build.vehicle.gear_ratios[gear - 1])
        # A line that starts steady enough needs no following.
        line = equal_torque_line(engine, speed, net, settled_under=engine.build.limits.stability)
    except NoSolutionError:
        return None
    return (net, line) if line else None
