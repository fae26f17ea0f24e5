"""What one cam leaves of a car's manners, asked of the engine itself: only what the wants rest on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..advice.idle_balance import IdleBalance, IdleSparkRule, idle_balance
from ..advice.reversion import RoadPoint, road_point
from ..cam.card import CamCard
from ..cycle.best_torque import LATEST
from ..cycle.engine_tables import PRESSURES, SPARKS, SPEEDS, engine_tables, nodes_about
from ..cycle.models import engine_kind, sampled_kind
from ..cycle.operating import EngineModel, Tolerances, barometer
from ..drive.no_answer import NoRoadError
from ..drive.risk import surge_risk
from ..errors import CamcalcError, NoSolutionError
from ..tables.proposed import level_table
from ..vehicle.acceleration_weighting import SurgeGrade
from .cards import compression_of
from .wants import Figure, Wants

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["NO_IDLE", "Asked", "Road", "Settled", "settle", "settle_road"]

# Stands for the vacuum of an engine that does not carry itself, and for the roughness of one that does not hold the car: beyond any limit. Surrogates
# are drawn through them, so they are just past what is found beside them; no such number is printed.
NO_IDLE, NOT_HELD = -5e3, math.log(6.0)
# Missed cycles count so many degrees of spark for each unit of their normal measure; only the surrogate's shape rests on it. ESTIMATE.
DEGREES_PER_PROBIT = 10.0
LEAST_SHARE = 5e-5
# Where above the wanted speed a gear is asked again [rev/s]: cycles vary less the faster, and a mode may meet the firing there.
ABOVE = (0.0, 200.0 / 60.0, 500.0 / 60.0)
# The tabulated cycles reach so far around a point [rev/s, Pa, crank deg], as for cures.
AROUND_SPEED, BELOW, ABOVE_PRESSURE, AROUND_SPARK = 101.0 / 60.0, 8e3, 18e3, 9.0


class Asked(NamedTuple):
    """A question: a build without its cam, the cam, the cam it has now, what is wanted, under which tolerances, by which model."""

    build: Build
    cam: CamCard
    present: CamCard | None
    wants: Wants
    tolerances: Mapping[str, float]
    model: str


class Settled(NamedTuple):
    """What a cam leaves; not-a-number where it was not asked for or there is no answer, SI, spark in crank deg before top dead centre.

    ``figures`` are what the wants are judged by, each in its own measure; ``rule`` is what the idle spark rests on, None without an idle.
    """

    figures: Mapping[Figure, float]
    vacuum: float
    missed: float
    spark: float
    rule: IdleSparkRule | None
    idle_variation: float
    road_variation: float
    road_pressure: float
    road_spark: float
    filling: float
    compression: float


class Road(NamedTuple):
    """A gear on the level road at and above a speed: the worst COV of IMEP, the hardest surge grade there and the most acceleration, peak to peak [m/s2].

    ``held``: the engine holds the car at the wanted speed. Grade and acceleration are of a level table at each point's own spark.
    """

    held: bool
    variation: float
    grade: SurgeGrade
    peaks: float


def settle(asked: Asked) -> Settled:
    """Return what a cam leaves: a function of the question alone, so that any thread or process may ask it."""
    build, wants = asked.build.replace(cam=asked.cam), asked.wants
    nominal = not asked.tolerances
    kind = engine_kind(asked.model) if nominal else sampled_kind(asked.model)
    engine: EngineModel = kind(build, Tolerances(**asked.tolerances))
    figures: dict[Figure, float] = {Figure.COMPRESSION: compression_of(build)}
    idle = _idle(engine, wants) if wants.idles else None
    vacuum = math.nan if idle is None else barometer(engine) - idle.pressure
    if Figure.VACUUM in wants.figures:
        figures[Figure.VACUUM] = NO_IDLE if idle is None else vacuum
    if Figure.SPARK_LEFT in wants.figures:
        figures[Figure.SPARK_LEFT] = _spark_left(idle, wants.most_missed)
    road = _road(engine, wants) if wants.gear else None
    if wants.gear:
        figures[Figure.ROUGHNESS] = NOT_HELD if road is None else math.log(max(road.variation, 1e-4) / build.limits.stability)
    filling = math.nan
    if Figure.FILLING in wants.figures:
        present = kind(build.replace(cam=asked.present), Tolerances(**asked.tolerances)) if asked.present is not None else engine
        filling = _trapped(engine, wants.filling_speed) / _trapped(present, wants.filling_speed)
        figures[Figure.FILLING] = filling
    return Settled(
        figures=figures,
        vacuum=vacuum,
        missed=math.nan if idle is None else idle.spread.missed,
        spark=math.nan if idle is None else idle.sparks.spark,
        rule=None if idle is None else idle.sparks.rule,
        idle_variation=math.nan if idle is None else idle.spread.variation,
        road_variation=math.nan if road is None else road.variation,
        road_pressure=math.nan if road is None else road.pressure,
        road_spark=math.nan if road is None else road.spark,
        filling=filling,
        compression=figures[Figure.COMPRESSION],
    )


def _idle(engine: EngineModel, wants: Wants) -> IdleBalance | None:
    try:
        return idle_balance(engine, wants.idle_speed, drive=wants.in_drive)
    except NoSolutionError:
        return None


def _spark_left(idle: IdleBalance | None, most: float) -> float:
    """Return how far the idle spark is from the latest one searched [crank deg]; below zero where more cycles miss than may even there."""
    from scipy.special import ndtri

    if idle is None:
        return -DEGREES_PER_PROBIT
    if not idle.misses:
        return idle.sparks.spark - LATEST
    share = min(max(idle.spread.missed, LEAST_SHARE), 1.0 - LEAST_SHARE)
    return float(-DEGREES_PER_PROBIT * (ndtri(share) - ndtri(most)))


def _road(engine: EngineModel, wants: Wants) -> RoadPoint | None:
    try:
        return road_point(engine, wants.road_speed, engine.build.vehicle.gear_ratios[wants.gear - 1])
    except NoSolutionError:
        return None


def _trapped(engine: EngineModel, speed: float) -> float:
    """Return the fresh air trapped at full load on best torque [kg], the manifold at the barometer; tuned lengths are in no model here."""
    pressure = barometer(engine)
    return engine.state(speed, pressure, engine.best_spark(speed, pressure)).trapped_air


def settle_road(asked: Asked) -> Road:
    """Return how a gear runs on the level road at and above the wanted speed, surge included; without tolerances, whatever the question has."""
    build, wants = asked.build.replace(cam=asked.cam), asked.wants
    engine: EngineModel = engine_kind(asked.model)(build)
    ratio = build.vehicle.gear_ratios[wants.gear - 1]
    points: list[RoadPoint] = []
    for above in ABOVE:
        try:
            points.append(road_point(engine, wants.road_speed + above, ratio, near=points[-1].pressure if points else math.nan))
        except NoSolutionError:
            continue
    held = bool(points) and points[0].speed == wants.road_speed
    if not held:
        return Road(False, math.nan, SurgeGrade.UNKNOWN, math.nan)
    graded = [_surge(engine, point, wants.gear) for point in (points[0], points[-1])]
    worst, peaks = max(graded, key=lambda one: one[0].severity)
    # What one point does not tell, a smooth one elsewhere does not make up for.
    unknown = any(grade is SurgeGrade.UNKNOWN for grade, _ in graded)
    return Road(True, max(point.variation for point in points), worst if worst.bad or not unknown else SurgeGrade.UNKNOWN, peaks)


def _surge(engine: EngineModel, point: RoadPoint, gear: int) -> tuple[SurgeGrade, float]:
    """Return grade and most acceleration, peak to peak [m/s2], on a level table at a point's own spark: what of a surge is the cam's and not a table's."""
    tables = engine_tables(
        engine,
        nodes_about(SPEEDS, point.speed - AROUND_SPEED, point.speed + AROUND_SPEED),
        nodes_about(PRESSURES, point.pressure - BELOW, point.pressure + ABOVE_PRESSURE),
        nodes_about(SPARKS, point.spark - AROUND_SPARK, point.spark + AROUND_SPARK),
        net=False,
    )
    try:
        found = surge_risk(engine.build, level_table(point.spark), gear=gear, engine_tables=tables, speeds=np.array([point.speed]))
    except (NoRoadError, CamcalcError):
        return SurgeGrade.UNKNOWN, math.nan
    driven = found.si.driven_peaks[:, 0]
    return found.worse_verdict(0), float(np.nanmax(driven)) if np.isfinite(driven).any() else math.nan
