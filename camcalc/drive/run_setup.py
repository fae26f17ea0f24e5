"""What a drive over time starts from: the settled state, the plant in numbers, what the pedal opens, tables with an answer everywhere."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..codes import Code
from ..constants import AIR_GAMMA, AIR_GAS_CONSTANT
from ..cycle.engine_tables import FIELDS, EngineTables
from ..engine.friction import rubbing_friction
from ..engine.valve_flow import orifice_flow_kernel
from ..errors import InputError, NoSolutionError
from ..units import Bounds, to_si
from ..vehicle.converter import TURBINE_INERTIA, converter_of
from ..vehicle.coupling import Coupling
from ..vehicle.driveline import Driveline, road_speed_at
from ..vehicle.road_load import DRIVELINE_EFFICIENCY, resistance
from .engine_loop import INDUCTION_TO_TORQUE, SPARK_TO_TORQUE, EngineSide, LevelSpark, SparkMap, table_spark
from .level_road import covers, held_pressure, level_road
from .surge import LEAST_FILTER
from .time_kernel import Plant, converter_torques

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["PEDAL_STEP", "STEP", "Driver", "Start", "filled_tables", "opening_of", "openings", "pedal_opening", "plant_of", "start_of", "state_of"]

Array = NDArray[np.float64]

TURN = 2.0 * math.pi
STEP = 0.5e-3
# Below this share of the idle speed wanted an engine stalls; ESTIMATE.
STALLS = 0.6
# When the pedal moves [s], how fast [s], how long a blip is held [s], and by how much of the whole pedal; ESTIMATE.
PEDAL_MOVES_AT, PEDAL_TAKES, BLIP_LASTS, PEDAL_STEP = 2.0, 0.15, 0.3, 0.05
# The whole pedal: an opening that brings 95 % of the barometer at 3000 rpm. ESTIMATE. A plate's opening grows with the square of its
# angle at first (1 - cos, textbook), and so with the pedal's.
FULL_SPEED, FULL_SHARE = 50.0, 0.95


class Driver(Code):
    """What the driver does in a drive over time."""

    STEADY_PEDAL = "a held pedal"
    SPEED_HOLD = "a driver who holds road speed"
    CLOSED_PEDAL = "a pedal let go, fuel cut on the overrun and back"
    TIP_IN = "a pedal pressed a little further and held"
    BLIP = "a pedal pressed a little and let back"


class Start(NamedTuple):
    """Where a run begins: crank and turbine speed [rev/s], road speed [m/s], manifold pressure [Pa], torque at the crank [N m]."""

    speed: float
    turbine: float
    road_speed: float
    pressure: float
    torque: float


def start_of(
    build: Build, engine_side: EngineSide, driveline: Driveline | None, table: Any, gear: int, coupling: Coupling, speed: Any, road_speed: Any
) -> Start:
    """Return where a run begins, settled.

    Parameters
    ----------
    build : Build
    engine_side : EngineSide
    driveline : Driveline or None
        Nothing in neutral.
    table : SparkTable
    gear : int
        Counted from 1; 0 is neutral.
    coupling : Coupling
    speed : quantity [crank speed] or None
        500 to 6000 rpm.
    road_speed : quantity [speed] or None
        1 to 80 m/s; one of the two.

    Raises
    ------
    InputError
        If not just one speed is given, or the table has no cells there.
    NoSolutionError
        If the engine does not hold it.
    """
    if (speed is None) == (road_speed is None) or (driveline is None and speed is None):
        raise InputError(
            "speed", came="both" if speed is not None else "neither", expected="speed or road_speed; in neutral, speed", fix='e.g. speed="1400 rpm"'
        )
    if speed is not None:
        crank = float(to_si(speed, "speed", Bounds("crank_rps", 500.0 / 60.0, 100.0, "rpm")))
    else:
        assert driveline is not None
        crank = _crank_at(build, driveline, float(to_si(road_speed, "road_speed", Bounds("m/s", 1.0, 80.0, "km/h"))), coupling, gear)
    if driveline is None:
        pressure, turbine, road = held_pressure(engine_side, table, crank, 0.0), crank, 0.0
    else:
        pressure, turbine = level_road(build, engine_side, driveline, table, crank, gear, coupling)
        road = road_speed_at(driveline, turbine)
    if math.isnan(pressure):
        where = "in neutral" if driveline is None else f"on the level in gear {gear}"
        raise NoSolutionError(f"the engine does not hold {crank * 60:.0f} rpm {where}", fix="take another speed or gear")
    load = engine_side.load(crank, pressure, 25.0, table.load_kind)
    if not covers(table, crank, load):
        raise InputError("the spark table", came="no cells there", expected=f"cells at {crank * 60:.0f} rpm, {pressure / 1e3:.0f} kPa", fix="widen its axes")
    return Start(crank, turbine, road, pressure, engine_side.torque(crank, pressure, table_spark(engine_side, table, crank, pressure)))


def _crank_at(build: Build, driveline: Driveline, road: float, coupling: Coupling, gear: int) -> float:
    """Return the crank speed [rev/s] at a road speed [m/s]: through a converter, where it gives what the road takes."""
    turbine = road / road_speed_at(driveline, 1.0)
    if coupling is Coupling.LOCKED:
        return turbine
    from ..vehicle.converter import engine_speed_through
    from ..vehicle.road_load import engine_torque_on_road

    torque = engine_torque_on_road(build, turbine, build.vehicle.gear_ratios[gear - 1])
    return engine_speed_through(converter_of(build.vehicle), turbine_speed=turbine, turbine_torque=torque)


def plant_of(build: Build, engine_side: EngineSide, driveline: Driveline | None, coupling: Coupling, *, noise: bool) -> Plant:
    """Return what does not change over a run.

    Parameters
    ----------
    build : Build
    engine_side : EngineSide
    driveline : Driveline or None
        Nothing in neutral.
    coupling : Coupling
    noise : bool
        Whether burns vary.
    """
    vehicle, limits = build.vehicle, build.limits.si
    at_rest, slow = (rubbing_friction.kernel(n) for n in (0.0, 10.0))
    per_pascal = engine_side.friction_factor * engine_side.cylinders * engine_side.swept / (2.0 * TURN)
    loads = [resistance(build, v) / DRIVELINE_EFFICIENCY for v in (0.0, 10.0, 20.0)]
    square = (loads[2] - 2.0 * loads[1] + loads[0]) / 200.0
    half = 360.0 / engine_side.cylinders
    d = driveline or Driveline(ratio=1.0, tyre_radius=1.0, engine_inertia=1.0, wheel_inertia=1.0, vehicle_inertia=1.0, shaft_stiffness=1.0)
    through = coupling is Coupling.CONVERTER and driveline is not None
    c = converter_of(vehicle) if through else None
    sprung = d._replace(engine_inertia=TURBINE_INERTIA * d.ratio**2) if through else d
    return Plant(
        coupling=0 if driveline is None else 2 if through else 1,
        engine_inertia=build.engine.si.rotating_inertia,
        turbine_inertia=TURBINE_INERTIA,
        ratio=d.ratio,
        radius=d.tyre_radius,
        wheel_inertia=d.wheel_inertia,
        mass=d.vehicle_inertia / d.tyre_radius**2,
        stiffness=d.shaft_stiffness,
        dashpot=sprung.dashpot,
        half_lash=0.5 * d.lash,
        slip_stiffness=d.tyre_slip_stiffness if driveline else 0.0,
        road=(loads[0], (loads[1] - loads[0]) / 10.0 - 10.0 * square, square),
        converter=(c.stall_speed * TURN, c.stall_torque, c.stall_torque_ratio, c.coupling_speed_ratio) if c else (1.0, 0.0, 1.0, 1.0),
        cylinders=engine_side.cylinders,
        swept=engine_side.swept,
        friction=(per_pascal * at_rest, per_pascal * (slow - at_rest) / (10.0 * TURN) ** 2),
        filling_rate=AIR_GAS_CONSTANT * engine_side.plenum_temperature / engine_side.plenum_volume,
        temperature=engine_side.plenum_temperature,
        ambient=engine_side.ambient,
        load_filter=max(engine_side.load_filter, LEAST_FILTER),
        load_jitter=build.limits.load_jitter,
        speed_jitter=limits.speed_jitter * TURN,
        burn_noise=1.0 if noise else 0.0,
        reference_air=engine_side.reference_air,
        delays=(INDUCTION_TO_TORQUE, SPARK_TO_TORQUE + half, half),
        slowest=STALLS * build.idle.si.speed * TURN,
    )


def state_of(plant: Plant, driveline: Driveline | None, start: Start, kick: float) -> Array:
    """Return the settled state: driveline's five, then plenum and filtered pressure, the crank off its speed by ``kick`` [rev/s].

    Parameters
    ----------
    plant : Plant
    driveline : Driveline or None
        Nothing in neutral.
    start : Start
    kick : float [rev/s]
        How far the crank is off its settled speed.
    """
    crank = start.speed * TURN
    if driveline is None:
        return np.array([crank + kick * TURN, crank, 0.0, 0.0, 0.0, start.pressure, start.pressure])
    given = converter_torques(crank, start.turbine * TURN, *plant.converter)[1] if plant.coupling == 2 else start.torque
    shaft = given * plant.ratio
    wheels = start.turbine * TURN / plant.ratio
    # The tyre slips a little, so that the car is slower than its wheels.
    car = wheels * plant.radius / (1.0 + shaft / plant.radius / plant.slip_stiffness)
    twist = shaft / plant.stiffness + math.copysign(plant.half_lash, shaft)
    return np.array([crank + kick * TURN, start.turbine * TURN, twist, wheels, car, start.pressure, start.pressure])


def opening_of(engine_side: EngineSide, speed: float, pressure: float, table: SparkMap) -> float:
    """Return the opening of the throttle [m2] that feeds the engine at a speed [rev/s] and manifold pressure [Pa].

    Parameters
    ----------
    engine_side : EngineSide
    speed : float [rev/s]
    pressure : float [Pa]
        In the plenum.
    table : SparkMap
    """
    air = engine_side.air_flow(speed, pressure, table_spark(engine_side, table, speed, pressure))
    return air / orifice_flow_kernel(1.0, engine_side.ambient, min(pressure, engine_side.ambient), engine_side.plenum_temperature, AIR_GAS_CONSTANT, AIR_GAMMA)


def openings(build: Build, engine_side: EngineSide, table: Any) -> tuple[float, float]:
    """Return the openings [m2] of the whole pedal and of the closed one, which idles in neutral: on a spark of its own, as idles do."""
    speeds, pressures = engine_side.tables.speeds, engine_side.tables.pressures
    wide = min(FULL_SHARE * engine_side.ambient, float(pressures[-1]))
    full = opening_of(engine_side, min(FULL_SPEED, float(speeds[-1])), wide, table)
    idle = max(build.idle.si.speed, float(speeds[0]))
    for spark in (*_idle_sparks(build, engine_side, idle), table):
        pressure = held_pressure(engine_side, spark, idle, 0.0)
        if math.isfinite(pressure):
            return full, opening_of(engine_side, idle, pressure, spark)
    raise NoSolutionError(f"the engine idles at {idle * 60:.0f} rpm on no spark", fix="raise [idle] speed")


def _idle_sparks(build: Build, engine_side: EngineSide, speed: float) -> list[LevelSpark]:
    """Return sparks to idle on at a speed [rev/s]: of those tabulated the one that needs least air, less the sheet's reserve; then that one itself."""
    held = {float(s): held_pressure(engine_side, LevelSpark(float(s)), speed, 0.0) for s in engine_side.tables.sparks}
    alive = {spark: pressure for spark, pressure in held.items() if math.isfinite(pressure)}
    if not alive:
        return []
    best = min(alive, key=alive.__getitem__)
    # A cap that the sheet does not state is not-a-number.
    return [LevelSpark(float(np.fmin(best - build.idle.si.spark_reserve, build.idle.si.earliest_spark))), LevelSpark(best)]


def pedal_opening(driver: Driver, steady: float, closed: float, full: float, count: int, step: float) -> Array:
    """Return the opening of the throttle [m2] by step.

    Parameters
    ----------
    driver : Driver
    steady, closed, full : float [m2]
        Opening that holds the start, of a pedal let off, and of the whole pedal.
    count : int
        Steps.
    step : float
        How far a tip-in or blip moves, as a share of the whole pedal.
    """
    time = STEP * np.arange(count)
    moved = np.clip((time - PEDAL_MOVES_AT) / PEDAL_TAKES, 0.0, 1.0)
    if driver is Driver.CLOSED_PEDAL:
        return steady + (min(closed, steady) - steady) * moved
    if driver is Driver.BLIP:
        moved = moved - np.clip((time - PEDAL_MOVES_AT - PEDAL_TAKES - BLIP_LASTS) / PEDAL_TAKES, 0.0, 1.0)
    if driver in (Driver.TIP_IN, Driver.BLIP):
        at = math.sqrt(max(steady - closed, 0.0) / (full - closed))
        return steady + ((at + step * moved) ** 2 - at**2) * (full - closed)
    return np.full(count, steady)


def filled_tables(engine_side: EngineSide) -> EngineTables:
    """Return the tables with an answer everywhere: where no cycle settles the engine misfires, and draws air as the next fuller load does,
    by pressure. Its pumping is that of an ideal exchange between exhaust and manifold pressure (textbook)."""
    tables = engine_side.tables
    values = tables.values.copy()
    at = {name: values[k] for k, name in enumerate(FIELDS)}
    pressures = tables.pressures
    for j in range(pressures.size - 1, -1, -1):
        dead = ~np.isfinite(at["net"][:, j, :])
        fuller = at["air"][:, j + 1, :] * (pressures[j] / pressures[j + 1]) if j + 1 < pressures.size else np.zeros_like(at["air"][:, j, :])
        at["air"][:, j, :] = np.where(dead, fuller, at["air"][:, j, :])
        at["net"][:, j, :] = np.where(dead, -(engine_side.ambient - pressures[j]), at["net"][:, j, :])
        for name in ("gross", "deviation", "burned_fraction", "blow_back"):
            at[name][:, j, :] = np.where(dead, 0.0, at[name][:, j, :])
    return tables._replace(values=values)
