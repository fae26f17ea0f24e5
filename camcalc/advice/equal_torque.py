"""Along the line of equal torque: retard spark and open the throttle, the car doing the same."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from ..constants import mean_pressure_of_torque
from ..cycle.operating import LEAST_PRESSURE, EngineModel, OperatingState, barometer, pressure_carrying, pressure_for_net_imep
from ..cycle.work_variation import Spread, best_counted, work_spread
from ..errors import NoSolutionError
from ..vehicle.road_load import engine_torque_on_road
from .idle_balance import load_terms
from .late_burn import past_limit

__all__ = ["LinePoint", "cycles_holding", "equal_torque_line", "pressure_at_equal_torque", "road_net_imep"]

RETARD_STEP = 4.0
MOST_RETARD = 44.0
# Best torque and the pressure that holds it, by turns.
BEST_TURNS = 2
CLOSE = 1e-3  # of the torque asked for
# The secant finds a smooth torque within so many points; after them the answer is bracketed.
SECANT_POINTS = 6
# Pressures this close [Pa] are one; sought down in steps to this share of the load.
SAME_PRESSURE, LIGHTER = 1.0, 0.8


class LinePoint(NamedTuple):
    """A point of the line: spark crank deg before top dead centre, and all cycles there, which together make the torque."""

    spark: float
    spread: Spread


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


def equal_torque_line(engine: EngineModel, speed: float, net: float) -> list[LinePoint]:
    """Return the line from best-torque spark to the latest burn that the sheet allows, for a net IMEP [Pa] at a speed [rev/s].

    Missed cycles carry nothing: best torque and every point count them.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    net : float
        Net IMEP to be held [Pa].

    Raises
    ------
    NoSolutionError
        If even best torque does not reach it.
    """
    pressure = pressure_for_net_imep(engine, speed, net, None)
    for _ in range(BEST_TURNS):
        best = best_counted(engine, speed, pressure)
        first = cycles_holding(engine, speed, net, best, near=pressure)
        if first is None:
            return []
        pressure = first.mean.manifold_pressure
    assert first is not None
    points = [LinePoint(best, first)]
    while points[-1].spark - RETARD_STEP >= best - MOST_RETARD and not past_limit(engine, points[-1].spread.mean):
        before = points[-2].spread.mean.manifold_pressure if len(points) > 1 else pressure - 500.0
        ahead = 2.0 * points[-1].spread.mean.manifold_pressure - before
        spark = points[-1].spark - RETARD_STEP
        spread = cycles_holding(engine, speed, net, spark, near=ahead)
        if spread is None:
            break
        points.append(LinePoint(spark, spread))
    return points


def cycles_holding(engine: EngineModel, speed: float, net: float, spark: float, *, near: float = math.nan) -> Spread | None:
    """Return the cycles that together make a net IMEP [Pa] at a spark; None where none do, or only in the leap of a cycle that dies.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    net : float
        Net IMEP to be held [Pa].
    spark : float
        Before top dead centre [crank deg].
    near : float
        A manifold pressure close by [Pa], to save time.
    """
    try:
        pressure = pressure_carrying(engine, speed, net, lambda p: work_spread(engine, speed, p, spark).net, near=near)
    except NoSolutionError:
        return None
    spread = work_spread(engine, speed, pressure, spark)
    return spread if abs(spread.net - net) <= CLOSE * abs(net) else None
