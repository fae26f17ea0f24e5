"""Reversion on the road: below which speeds exhaust comes back up the intake and the engine runs rough, gear by gear."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from typing import NamedTuple

from ..cycle.best_torque import LATEST
from ..cycle.operating import EngineModel, pressure_for_net_imep
from ..cycle.work_variation import MOST_MISSED, best_counted, misfire_spark, work_spread
from ..errors import NoSolutionError
from ..marks import Mark, Marks
from ..results import Measure, Record, measure
from ..vehicle.road_load import road_speed
from .equal_torque import cycles_holding, road_net_imep

__all__ = ["GearReversion", "RoadPoint", "point_holding", "reversion_in_gear", "road_point"]

SLOWEST, FASTEST, STEP = 600.0 / 60.0, 4000.0 / 60.0, 400.0 / 60.0


class RoadPoint(NamedTuple):
    """The engine holding the car on the level: speed rev/s, pressure Pa, spark crank deg, the rest ratios.

    ``net`` is the net IMEP that holds it [Pa]: of the mean cycle, or of all cycles where so many miss on MBT spark that a later one is taken.
    """

    speed: float
    pressure: float
    spark: float
    burned_fraction: float
    blow_back: float
    variation: float
    net: float


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class GearReversion(Record):
    """Where trouble ends in one gear. A speed is missing where the figure stays within its limit down to 600 rpm, or the car is ``held`` at no speed.

    ``taken_as_locked``: the gear drives through a converter, whose slip lets the engine run faster than these speeds. ``marks`` tells
    a limit that is kept from a car that is not held, and names a speed that is where the search begins.
    """

    gear: int
    ratio: float
    unstable_below: Measure = measure("crank_rps", "rpm", doc="IMEP varies more than the stability limit below this")
    unstable_below_road_speed: Measure = measure("m/s", "km/h")
    blow_back_below: Measure = measure("crank_rps", "rpm", doc="overlap blow-back exceeds its limit below this")
    blow_back_below_road_speed: Measure = measure("m/s", "km/h")
    held: bool = True
    taken_as_locked: bool = False
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


class Edge(NamedTuple):
    """A speed [rev/s] below which something is bad, and whether it is an end of the search; NaN where there is none."""

    speed: float
    mark: Mark | None


def road_point(engine: EngineModel, speed: float, gear_ratio: float, *, near: float = math.nan) -> RoadPoint:
    """Return the engine's state on the level road at a crank speed [rev/s]; ``near`` is a pressure [Pa] to start from.

    Spark is best torque, missed cycles counted, and no earlier than the misfire limit: nobody would leave a spark there that misses more.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    gear_ratio : float
        Gearbox ratio, without the final drive.
    near : float
        Manifold pressure that the search begins at [Pa].

    Raises
    ------
    NoSolutionError
        If the road load is beyond reach.
    """
    return point_holding(engine, speed, road_net_imep(engine, speed, gear_ratio), near=near)


def point_holding(engine: EngineModel, speed: float, net: float, *, near: float = math.nan) -> RoadPoint:
    """Return the engine's state where it makes a net IMEP, on the spark that ``road_point`` takes.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    net : float
        Net IMEP [Pa].
    near : float
        Manifold pressure that the search begins at [Pa].

    Raises
    ------
    NoSolutionError
        If it is beyond reach.
    """
    pressure = pressure_for_net_imep(engine, speed, net, None, near=near)
    spark = engine.best_spark(speed, pressure)
    spread = work_spread(engine, speed, pressure, spark)
    made = spread.mean.net
    if spread.missed > MOST_MISSED:
        spark = max(min(best_counted(engine, speed, pressure), misfire_spark(engine, speed, pressure)), LATEST)
        held = cycles_holding(engine, speed, net, spark, near=pressure)
        if held is None:
            raise NoSolutionError(f"no manifold pressure holds the road load at {speed * 60.0:.0f} rpm on a spark that does not miss")
        spread, made = held, held.net
    state = spread.mean
    return RoadPoint(speed, state.manifold_pressure, spark, state.burned_fraction, state.blow_back / state.trapped, spread.variation, made)


def reversion_in_gear(engine: EngineModel, gear: int) -> GearReversion:
    """Return both reversion speeds of a gear, counted from 1."""
    vehicle, limits = engine.build.vehicle, engine.build.limits
    ratio = vehicle.gear_ratios[gear - 1]
    cache: dict[float, RoadPoint | None] = {}

    def point(speed: float) -> RoadPoint | None:
        if speed not in cache:
            known = {s: p.pressure for s, p in cache.items() if p is not None}
            near = known[min(known, key=lambda s: abs(s - speed))] if known else math.nan
            try:
                cache[speed] = road_point(engine, speed, ratio, near=near)
            except NoSolutionError:
                cache[speed] = None
        return cache[speed]

    unstable = _last_bad(lambda s: None if (p := point(s)) is None else p.variation > limits.stability)
    blown = _last_bad(lambda s: None if (p := point(s)) is None else p.blow_back > limits.blow_back_share)
    return GearReversion(
        gear=gear,
        ratio=ratio,
        unstable_below=unstable.speed,
        unstable_below_road_speed=road_speed(vehicle, unstable.speed, ratio),
        blow_back_below=blown.speed,
        blow_back_below_road_speed=road_speed(vehicle, blown.speed, ratio),
        held=any(p is not None for p in cache.values()),
        taken_as_locked=vehicle.transmission == "converter",
        marks={f"{name}{of}": edge.mark for name, edge in (("unstable_below", unstable), ("blow_back_below", blown)) for of in ("", "_road_speed")},
    )


def _last_bad(bad: Callable[[float], bool | None]) -> Edge:
    """Return the highest speed below which something is bad; none found if it is good down to the slowest.

    ``bad`` answers None where the car cannot be held at all; above the fastest speed it can be held, that means nothing.
    """
    speed = FASTEST
    while speed >= SLOWEST and bad(speed) is None:
        speed -= STEP
    if speed < SLOWEST:
        return Edge(math.nan, None)
    top = speed
    high = top
    while speed > SLOWEST and bad(speed) is False:
        high, speed = speed, max(speed - STEP, SLOWEST)
    if speed <= SLOWEST and bad(SLOWEST) is False:
        return Edge(math.nan, Mark.NONE_FOUND)
    if speed >= top:
        return Edge(top, Mark.OR_MORE)
    low = speed
    while high - low > 20.0 / 60.0:
        middle = (low + high) / 2.0
        low, high = (low, middle) if bad(middle) is False else (middle, high)
    return Edge((low + high) / 2.0, None)
