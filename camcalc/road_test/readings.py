"""What a log can show that settles an input: where it is taken, how closely it reads, and what an engine model says it will be."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

from ..advice.equal_torque import road_net_imep
from ..advice.headlines import headline_gear
from ..advice.idle_balance import idle_balance, standing_balance
from ..advice.spark_limits import ceiling_column
from ..codes import Code
from ..constants import AIR_GAMMA, AIR_GAS_CONSTANT, torque_of_mean_pressure
from ..cures import cycle_speed_change
from ..cycle.operating import EngineModel, barometer, pressure_for_net_imep
from ..engine.friction import rubbing_friction
from ..engine.valve_flow import orifice_flow_kernel
from ..errors import NoSolutionError
from ..vehicle.road_load import DRIVELINE_EFFICIENCY, resistance, road_speed

__all__ = ["COAST_CLOSENESS", "Ground", "Place", "Reading", "ReadingKind", "Running", "coasting", "place_of", "readings_of", "running_of"]

# Crank speed on the road and how much faster than idle the fast idle is [rev/s]: common practice, no source.
ROAD, FASTER = 1600.0 / 60.0, 500.0 / 60.0
# Spark held on the road and the step taken back from it [crank deg]; ESTIMATE of what an unfinished cruise table holds.
ROAD_SPARK, STEP = 30.0, 10.0
# The road's spark stays so far under knock, where the model knows it [crank deg]; ESTIMATE.
UNDER_KNOCK = 5.0
# Coasting in gear with fuel cut starts here [rev/s], in second gear: enough drag to see, not enough speed to matter. Common practice, no source.
COAST, COAST_GEAR = 2500.0 / 60.0, 2
# Manifold pressure of a shut throttle above idle, and what compressing and expanding costs in heat and leakage as mean effective pressure [Pa]; ESTIMATE, both.
SHUT, MOTORED = 22e3, 15e3
# The whole opening of the throttle brings 95 % of the barometer at 3000 rpm, as the driven model has it. ESTIMATE.
WIDE_SPEED, WIDE_SHARE = 50.0, 0.95
# Change from one mean over a cycle to the next over the change at one crank angle: that of a random walk, the square root of two thirds.
CYCLE_MEANS = math.sqrt(2.0 / 3.0)


class Ground(Code):
    """Where a reading is taken."""

    STANDING = "at a standstill"
    ROAD = "on the road"


class ReadingKind(Code):
    """What is read from the log."""

    IDLE_PRESSURE = "MAP at idle"
    IDLE_AIR = "air charge at idle"
    IDLE_SPARK_STEP = "rise of MAP at idle with less spark"
    IDLE_SPEED_CHANGE = "change of idle speed from cycle to cycle"
    FAST_IDLE_PRESSURE = "MAP at fast idle"
    ROAD_PRESSURE = "MAP on the road"
    ROAD_SPARK_STEP = "rise of MAP on the road with less spark"
    COASTING = "slowing down with fuel cut"


class Place(NamedTuple):
    """Where the readings are taken: idle speed and spark, gear, its ratio and spark on the road; speeds rev/s, crank deg."""

    idle: float
    idle_spark: float
    gear: int
    ratio: float
    road_spark: float


class Reading(NamedTuple):
    """Something a log shows: where, for how long [s], which channels, its unit, and how closely it reads (absolute, share)."""

    kind: ReadingKind
    ground: Ground
    seconds: float
    channels: tuple[str, ...]
    unit: str
    show: str
    closeness: tuple[float, float]
    value: Callable[[EngineModel, Place], float]


def place_of(engine: EngineModel) -> Place:
    """Return where readings are taken; the spark of the idle as assumed is held in every one of them."""
    build = engine.build
    speed, gear = build.idle.si.speed, headline_gear(build)
    spark = round(idle_balance(engine, speed).sparks.spark)
    place = Place(speed, float(spark), gear, build.vehicle.gear_ratios[gear - 1], ROAD_SPARK)
    return place._replace(road_spark=_cautious_road_spark(engine, place))


def _cautious_road_spark(engine: EngineModel, place: Place) -> float:
    """Return the spark held on the road [crank deg]: the usual one, under the cell's ceiling, and so far under knock as is prudent where it is known."""
    try:
        pressure = _driving(engine, place, ROAD_SPARK)
        knock, (cell,) = engine.knock_spark(ROAD, pressure), ceiling_column(engine, ROAD, [pressure]).cells
    except NoSolutionError:
        return ROAD_SPARK
    limits = [ROAD_SPARK, knock - UNDER_KNOCK, cell.ceiling_low]
    return float(math.floor(min(limit for limit in limits if not math.isnan(limit))))


def _standing(engine: EngineModel, speed: float, spark: float) -> float:
    """Return the manifold pressure [Pa] of a standing engine at a speed [rev/s] and spark; neutral, accessories off."""
    return standing_balance(engine, speed, spark).mean.manifold_pressure


def _driving(engine: EngineModel, place: Place, spark: float) -> float:
    """Return the manifold pressure [Pa] that holds the car on the level at a spark."""
    return pressure_for_net_imep(engine, ROAD, road_net_imep(engine, ROAD, place.ratio), spark)


def _idle_pressure(engine: EngineModel, place: Place) -> float:
    return _standing(engine, place.idle, place.idle_spark)


def _idle_air(engine: EngineModel, place: Place) -> float:
    return engine.state(place.idle, _idle_pressure(engine, place), place.idle_spark).air


def _idle_step(engine: EngineModel, place: Place) -> float:
    return _standing(engine, place.idle, place.idle_spark - STEP) - _idle_pressure(engine, place)


def _idle_change(engine: EngineModel, place: Place) -> float:
    return cycle_speed_change(engine, place.idle, _idle_pressure(engine, place), place.idle_spark)


def _fast_pressure(engine: EngineModel, place: Place) -> float:
    return _standing(engine, place.idle + FASTER, place.idle_spark)


def _road_pressure(engine: EngineModel, place: Place) -> float:
    return _driving(engine, place, place.road_spark)


def _road_step(engine: EngineModel, place: Place) -> float:
    return _driving(engine, place, place.road_spark - STEP) - _driving(engine, place, place.road_spark)


def _coasting(engine: EngineModel, place: Place) -> float:
    return coasting(engine)


def coasting(engine: EngineModel) -> float:
    """Return how fast the car slows in second gear with fuel cut [m/s2]: rubbing and pumping through the driveline's own losses, and the road.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> 0.2 < coasting(QuickEngine(load_build("examples/quarry-road/build.toml"))) < 2.0
    True
    """
    build = engine.build
    ratio = build.vehicle.gear_ratios[COAST_GEAR - 1]
    total, radius = ratio * build.vehicle.final_drive, build.vehicle.si.tyre_radius
    rubbing = engine.tolerances.friction * build.engine.friction_factor * rubbing_friction.kernel(COAST)
    torque = torque_of_mean_pressure(rubbing + barometer(engine) - SHUT + MOTORED, engine.geometry.displacement)
    drag = torque * total / radius / DRIVELINE_EFFICIENCY + resistance(build, road_speed(build.vehicle, COAST, ratio))
    inertia = build.engine.si.rotating_inertia * total**2 + build.vehicle.si.wheel_inertia
    return float(drag / (build.vehicle.si.mass + inertia / radius**2))


# How closely coasting reads: 0.03 m/s2 of the log, and 7 % by mass as tested, road load, manifold pressure and motoring losses
# together (80 kg 0.04, a fifth of rolling 0.02, 5 kPa 0.02, 10 kPa 0.03 of some 0.84 m/s2; computed on an example). ESTIMATE.
COAST_CLOSENESS = (0.03, 0.07)
PRESSURE, MASS = ("Pa", "kPa"), ("kg", "mg")
LOG = ("time", "speed", "spark")
ON_ROAD = (*LOG, "load", "pedal", "road_speed", "gear")
COASTING_LOG = ("time", "speed", "load", "road_speed", "gear", "clutch", "fuel_cut", "pedal")
# How closely a reading is taken, absolute and as a share, averaged over its seconds; ESTIMATE, each.
READINGS = (
    Reading(ReadingKind.IDLE_PRESSURE, Ground.STANDING, 40.0, (*LOG, "load"), *PRESSURE, (0.4e3, 0.0), _idle_pressure),
    Reading(ReadingKind.IDLE_AIR, Ground.STANDING, 40.0, (*LOG, "load"), *MASS, (0.0, 0.03), _idle_air),
    Reading(ReadingKind.IDLE_SPARK_STEP, Ground.STANDING, 60.0, (*LOG, "load"), *PRESSURE, (0.2e3, 0.0), _idle_step),
    Reading(ReadingKind.IDLE_SPEED_CHANGE, Ground.STANDING, 60.0, LOG, "crank_rps", "rpm", (0.5 / 60.0, 0.10), _idle_change),
    Reading(ReadingKind.FAST_IDLE_PRESSURE, Ground.STANDING, 40.0, (*LOG, "load", "pedal"), *PRESSURE, (0.4e3, 0.0), _fast_pressure),
    Reading(ReadingKind.ROAD_PRESSURE, Ground.ROAD, 90.0, ON_ROAD, *PRESSURE, (0.8e3, 0.0), _road_pressure),
    Reading(ReadingKind.ROAD_SPARK_STEP, Ground.ROAD, 120.0, ON_ROAD, *PRESSURE, (0.4e3, 0.0), _road_step),
    Reading(ReadingKind.COASTING, Ground.ROAD, 90.0, COASTING_LOG, "m/s**2", "m/s**2", COAST_CLOSENESS, _coasting),
)


def readings_of(engine: EngineModel) -> tuple[Reading, ...]:
    """Return the readings that a car can give: an open converter lets go of the engine on overrun, and a single gear has none to coast in."""
    vehicle = engine.build.vehicle
    coasts = vehicle.transmission != "converter" and len(vehicle.gear_ratios) >= COAST_GEAR
    return tuple(r for r in READINGS if coasts or r.kind is not ReadingKind.COASTING)


class Running(NamedTuple):
    """How a reading is driven: gear (0 is neutral), crank speed rev/s, road speed m/s, pedal over the whole opening, spark crank deg."""

    gear: int
    speed: float
    road_speed: float
    pedal: float
    spark: float


def running_of(engine: EngineModel, place: Place, reading: Reading) -> Running:
    """Return how a reading is driven."""
    vehicle = engine.build.vehicle
    if reading.kind is ReadingKind.COASTING:
        return Running(COAST_GEAR, COAST, road_speed(vehicle, COAST, vehicle.gear_ratios[COAST_GEAR - 1]), 0.0, math.nan)
    if reading.ground is Ground.STANDING:
        fast = reading.kind is ReadingKind.FAST_IDLE_PRESSURE
        speed = place.idle + FASTER if fast else place.idle
        pedal = _pedal(engine, speed, _fast_pressure(engine, place), place.idle_spark) if fast else 0.0
        return Running(0, speed, 0.0, pedal, place.idle_spark)
    pedal = _pedal(engine, ROAD, _road_pressure(engine, place), place.road_spark)
    return Running(place.gear, ROAD, road_speed(vehicle, ROAD, place.ratio), pedal, place.road_spark)


def _pedal(engine: EngineModel, speed: float, pressure: float, spark: float) -> float:
    """Return the throttle's opening over its whole opening; pedals are geared in many ways, so this is about."""
    wide = WIDE_SHARE * barometer(engine)
    return _opening(engine, speed, pressure, spark) / _opening(engine, WIDE_SPEED, wide, engine.best_spark(WIDE_SPEED, wide))


def _opening(engine: EngineModel, speed: float, pressure: float, spark: float) -> float:
    ambient = barometer(engine)
    flux = orifice_flow_kernel(1.0, ambient, min(pressure, ambient), engine.build.site.si.air_temperature, AIR_GAS_CONSTANT, AIR_GAMMA)
    return engine.state(speed, pressure, spark).air * speed / max(flux, 1e-9)
