"""What a drive over time starts from: the settled state, the plant in numbers, what the pedal opens, tables with an answer everywhere."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..codes import Code
from ..cycle.engine_tables import FIELDS, EngineTables
from ..cycle.gas_kernel import properties
from ..cycle.memory import INPUTS, OUTPUTS, SIZE, Carried, Made, segments_of
from ..cycle.work_variation import BASE_VARIATION
from ..engine.friction import rubbing_friction
from ..errors import InputError, NoSolutionError
from ..units import Bounds, to_si
from ..vehicle.converter import TURBINE_INERTIA, converter_of
from ..vehicle.coupling import Coupling
from ..vehicle.driveline import Driveline, road_speed_at
from ..vehicle.road_load import DRIVELINE_EFFICIENCY, resistance
from .driveline_kernel import Plant, converter_torques
from .engine_loop import PRESSURE_STEP, EngineSide, LevelSpark, SparkMap, table_spark
from .level_road import covers, held_pressure, level_road
from .plenum import plenum_slopes, plenum_state, throttle_area
from .run_state import MAPS, Control, Cylinders, Limb, Mixture

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = [
    "FEET", "PEDAL_STEP", "SHAKERS", "STALLS", "STEP", "Driver", "Foot", "Shaker", "Start", "control_of", "crank_at", "cylinders_of", "filled_tables",
    "foot_answer", "limb_of", "mixture_of", "opening_of", "openings", "pedal_opening", "plant_of", "run_tables", "start_of", "state_of",
]  # fmt: skip

Array = NDArray[np.float64]

TURN = 2.0 * math.pi
STEP = 0.5e-3
# Below this share of the idle speed wanted an engine stalls; ESTIMATE.
STALLS = 0.6
# When the pedal moves [s], how fast [s], how long a blip is held [s], and by how much of the whole pedal; ESTIMATE.
PEDAL_MOVES_AT, PEDAL_TAKES, BLIP_LASTS, PEDAL_STEP = 2.0, 0.15, 0.3, 0.05
# Middle of induction and of power, firing top dead centre at 360 [crank deg]: ESTIMATE from the events of ordinary engines; and intake closing
# where no cycle says it.
INDUCTION, POWER, USUAL_CLOSING = 820.0, 410.0, 230.0
# Maps are straight lines: the further off their point, the less they follow, and never further than so: shares of speed and pressure, spark [crank deg],
# plenum temperature [K] and burned fraction. ESTIMATE. A swing of a fifth of that is followed to half a thousandth.
FURTHEST_SHARE, FURTHEST_SPARK, FURTHEST_WARMER, FURTHEST_BURNED = 0.4, 25.0, 100.0, 0.15
# Close by a point, for slopes: crank speed [rev/s], pressure [Pa].
CLOSE_SPEED, CLOSE_PRESSURE = 0.1, 50.0
# Shares of cycles that miss are told apart from none and from all down to this.
LEAST_SHARE = 1e-6
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


class Foot(Code):
    """How far the car's own acceleration moves the foot on the pedal."""

    STEADY = "a foot that the car does not move"
    USUAL = "a usual foot"
    LOOSE = "a loose foot"


class Shaker(Code):
    """What shakes a car that stands still on average: each may be left out of a run."""

    BURN = "burns that vary"
    MISSED = "missed cycles"
    # Without it the speed signal is without noise for the fuel, too.
    TABLE = "load noise through the table and all speed noise"
    FUEL = "load noise through the fuel"


FEET, SHAKERS = tuple(Foot), tuple(Shaker)
# Share of the opening for each m/s2: a leg of 2 to 3 kg on a pedal and an ankle of 1 to 2 N/mm moves 1 to 2 mm per m/s2; 1 mm of 55 is 1.8 % of the
# pedal, and 15 % of the opening at cruise, which grows with the pedal's square. ESTIMATE. A seated body's own fore-aft swing lies at 2 to 2.4 Hz
# (published, see DEVELOPERS.md); its damping is an ESTIMATE.
FOOT_GAIN = {Foot.STEADY: 0.0, Foot.USUAL: 0.15, Foot.LOOSE: 0.3}
FOOT_FREQUENCY, FOOT_DAMPING = 2.2, 0.3
# Port injection leaves a part of each pulse on the wall for a while; how work follows the mixture when lean and when rich. ESTIMATE, both.
FILM_SHARE, FILM_TIME, WORK_BY_LEAN, WORK_BY_RICH = 0.22, 0.5, 0.9, 0.2
# An idle control: share of the opening per rad/s, and per rad/s and second; spark per rad/s and its most [crank deg]. ESTIMATE.
IDLE_OPENING, IDLE_INTEGRAL, IDLE_SPARK, MOST_IDLE_SPARK = 0.02, 0.01, 0.5, 8.0


def limb_of(foot: Foot) -> Limb:
    """Return the leg that a foot hangs on."""
    return Limb(FOOT_GAIN[foot], TURN * FOOT_FREQUENCY, FOOT_DAMPING)


def foot_answer(foot: Foot, band: Array) -> NDArray[np.complex128]:
    """Return what a foot makes of the car's acceleration, share of the opening per m/s2, over frequencies [Hz].

    >>> round(float(abs(foot_answer(Foot.USUAL, np.array([1e-3]))[0])), 3)  # slow, it follows whole
    0.15
    """
    s, limb = 2j * np.pi * band, limb_of(foot)
    return np.asarray(-limb.gain * limb.frequency**2 / (s**2 + 2.0 * limb.damping * limb.frequency * s + limb.frequency**2))


def mixture_of(*, on: bool) -> Mixture:
    """Return how fuel follows the load signal."""
    return Mixture(on, FILM_SHARE, FILM_TIME, WORK_BY_LEAN, WORK_BY_RICH)


def control_of(build: Build, *, on: bool) -> Control:
    """Return the idle control, or none."""
    target = TURN * float(build.idle.si.speed)
    return Control(IDLE_OPENING, IDLE_INTEGRAL, IDLE_SPARK, MOST_IDLE_SPARK, target) if on else Control(0.0, 0.0, 0.0, 0.0, target)


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
        crank = crank_at(build, driveline, float(to_si(road_speed, "road_speed", Bounds("m/s", 1.0, 80.0, "km/h"))), coupling, gear)
    if driveline is None:
        pressure, turbine, road = held_pressure(engine_side, table, crank, 0.0), crank, 0.0
    else:
        pressure, turbine = level_road(build, engine_side, driveline, table, crank, gear, coupling)
        road = road_speed_at(driveline, turbine)
    if math.isnan(pressure):
        first, last = (60.0 * float(engine_side.tables.speeds[k]) for k in (0, -1))
        if not first <= 60.0 * crank <= last:
            raise InputError("speed", came=f"{crank * 60:.0f} rpm", expected=f"{first:.0f} to {last:.0f} rpm, as far as the engine is tabulated")
        where = "in neutral" if driveline is None else f"on the level in gear {gear}"
        raise NoSolutionError(f"the engine does not hold {crank * 60:.0f} rpm {where}", fix="take another speed or gear")
    load = engine_side.load(crank, pressure, 25.0, table.load_kind)
    if not covers(table, crank, load):
        raise InputError("the spark table", came="no cells there", expected=f"cells at {crank * 60:.0f} rpm, {pressure / 1e3:.0f} kPa", fix="widen its axes")
    return Start(crank, turbine, road, pressure, engine_side.torque(crank, pressure, table_spark(engine_side, table, crank, pressure)))


def crank_at(build: Build, driveline: Driveline, road: float, coupling: Coupling, gear: int) -> float:
    """Return the crank speed [rev/s] at a road speed [m/s]: through a converter, where it gives what the road takes.

    Parameters
    ----------
    build : Build
    driveline : Driveline
        Of the gear.
    road : float [m/s]
    coupling : Coupling
    gear : int
        Counted from 1.
    """
    turbine = road / road_speed_at(driveline, 1.0)
    if coupling is Coupling.LOCKED:
        return turbine
    from ..vehicle.converter import engine_speed_through
    from ..vehicle.road_load import engine_torque_on_road

    torque = engine_torque_on_road(build, turbine, build.vehicle.gear_ratios[gear - 1])
    return engine_speed_through(converter_of(build.vehicle), turbine_speed=turbine, turbine_torque=torque)


def plant_of(build: Build, engine_side: EngineSide, driveline: Driveline | None, coupling: Coupling) -> Plant:
    """Return what does not change over a run.

    Parameters
    ----------
    build : Build
    engine_side : EngineSide
    driveline : Driveline or None
        Nothing in neutral.
    coupling : Coupling
    """
    vehicle = build.vehicle
    at_rest, slow = (rubbing_friction.kernel(n) for n in (0.0, 10.0))
    per_pascal = engine_side.friction_factor * engine_side.cylinders * engine_side.swept / (2.0 * TURN)
    loads = [resistance(build, v) / DRIVELINE_EFFICIENCY for v in (0.0, 10.0, 20.0)]
    square = (loads[2] - 2.0 * loads[1] + loads[0]) / 200.0
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
        friction=(per_pascal * at_rest, per_pascal * (slow - at_rest) / (10.0 * TURN) ** 2),
    )


def state_of(plant: Plant, driveline: Driveline | None, start: Start, kick: float) -> Array:
    """Return the driveline's settled state, the crank off its speed by ``kick`` [rev/s].

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
        return np.array([crank + kick * TURN, crank, 0.0, 0.0, 0.0])
    given = converter_torques(crank, start.turbine * TURN, *plant.converter)[1] if plant.coupling == 2 else start.torque
    shaft = given * plant.ratio
    wheels = start.turbine * TURN / plant.ratio
    # The tyre slips a little, so that the car is slower than its wheels.
    car = wheels * plant.radius / (1.0 + shaft / plant.radius / plant.slip_stiffness)
    twist = shaft / plant.stiffness + math.copysign(plant.half_lash, shaft)
    return np.array([crank + kick * TURN, start.turbine * TURN, twist, wheels, car])


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
    return throttle_area(engine_side.plenum, pressure, air * engine_side.charge_per_air)


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


def pedal_opening(driver: Driver, steady: float, closed: float, full: float, count: int, moves: float) -> Array:
    """Return the opening of the throttle [m2] by step.

    Parameters
    ----------
    driver : Driver
    steady, closed, full : float [m2]
        Opening that holds the start, of a pedal let off, and of the whole pedal.
    count : int
        Steps.
    moves : float
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
        return steady + ((at + moves * moved) ** 2 - at**2) * (full - closed)
    return np.full(count, steady)


def cylinders_of(engine_side: EngineSide, table: SparkMap, speed: float, pressure: float) -> tuple[Cylinders, Array]:
    """Return the cylinders about a settled point, and the plenum's state there.

    Parameters
    ----------
    engine_side : EngineSide
    table : SparkMap
    speed : float [rev/s]
    pressure : float [Pa]
        In the plenum.
    """
    spark, plenum = table_spark(engine_side, table, speed, pressure), engine_side.plenum
    found, at = engine_side.tables.memory, engine_side.tables.at(speed, pressure, spark)
    memory = None if found is None else found.at(speed, pressure, spark)
    parts, closes = segments_of(engine_side.cylinders), USUAL_CLOSING if memory is None else memory.closes
    temperature, burned = (engine_side.plenum_temperature, 0.0) if memory is None else map(float, memory.plenum)
    mass = at["air"] * engine_side.charge_per_air
    outside = properties(plenum.gas, plenum.ambient_temperature, 0.0)[2]
    works, induces = (int((angle - closes) % 720.0 // (720.0 / parts)) for angle in (POWER, INDUCTION))
    if memory is None:
        maps = _no_maps(parts)
        maps["missed_made"][works, Made.WORK] = -at["gross"] * engine_side.swept
        slopes, fresh, fractions = np.zeros((OUTPUTS, 3)), 0.0, np.zeros(3)
    else:
        maps = {name: np.ascontiguousarray(getattr(memory, name)) for name in MAPS}
        slopes, fresh, fractions = memory.cycle_slopes.copy(), float(memory.mean[Made.FRESH]), memory.state_slopes[Carried.CYLINDER_FRACTION]
        # What leaves the plenum the maps know; of the tables counts how they bend, as in the linear loop.
        slopes[Made.MASS, :2] = _air_slopes(engine_side, speed, pressure, spark, slopes[Made.MASS, :2] * at["air"] / mass) * mass / at["air"]
    above, below = (engine_side.tables.at(speed, pressure + step, spark)["burned_fraction"] for step in (PRESSURE_STEP, -PRESSURE_STEP))
    by_pressure = (above - below) / (2.0 * PRESSURE_STEP)
    filled = plenum_state(plenum, pressure, temperature, burned)
    losses = np.array([mass, 0.0, mass * outside]) * engine_side.cylinders * speed / 2.0
    slopes_of_plenum = plenum_slopes(plenum, filled, throttle_area(plenum, pressure, float(losses[0])), losses)
    cylinders = Cylinders(
        engine_side.cylinders,
        parts,
        **maps,
        at=np.array([TURN * speed, pressure, spark, temperature, burned]),
        furthest=np.array([FURTHEST_SHARE * TURN * speed, FURTHEST_SHARE * pressure, FURTHEST_SPARK, FURTHEST_WARMER, FURTHEST_BURNED]),
        made=np.array([at["net"] * engine_side.swept, mass, 0.0, mass * outside, fresh]),
        slopes=np.ascontiguousarray(slopes),
        fraction_slopes=np.ascontiguousarray(fractions),
        fraction_by_pressure=by_pressure if memory is not None and math.isfinite(by_pressure) else 0.0,
        net=at["net"],
        gross=at["gross"],
        air=at["air"],
        swept=engine_side.swept,
        induces=induces,
        works=works,
        plenum_own=slopes_of_plenum.own,
        plenum_losses=slopes_of_plenum.losses,
        plenum_seen=slopes_of_plenum.seen,
        still=memory is None,
    )
    return cylinders, filled


def _air_slopes(engine_side: EngineSide, speed: float, pressure: float, spark: float, else_: Array) -> Array:
    """Return how the tables' air [kg] goes with speed [kg/(rad/s)] and pressure [kg/Pa] close by; something else where no cycle settles there."""
    found = []
    for step, scale in (((CLOSE_SPEED, 0.0), TURN * CLOSE_SPEED), ((0.0, CLOSE_PRESSURE), CLOSE_PRESSURE)):
        ends = [engine_side.tables.at(speed + sign * step[0], pressure + sign * step[1], spark)["air"] for sign in (1.0, -1.0)]
        found.append((ends[0] - ends[1]) / (2.0 * scale))
    return np.where(np.isfinite(found), found, else_)


def _no_maps(parts: int) -> dict[str, Array]:
    """Return maps that say nothing, by name."""
    made, carried = (parts, OUTPUTS), (parts, SIZE)
    shapes = [(*carried, SIZE), (*carried, INPUTS), (*made, SIZE), (*made, INPUTS), carried, made]
    return {name: np.zeros(shape) for name, shape in zip(MAPS, shapes, strict=True)}


def run_tables(tables: EngineTables) -> Array:
    """Return a table's values as a run looks them up: the deviation of cycles that do not miss, the share that misses as its normal measure.

    Parameters
    ----------
    tables : EngineTables
        With an answer everywhere.
    """
    from scipy.special import ndtri

    values = tables.values.copy()
    at = {name: values[k] for k, name in enumerate(FIELDS)}
    share = np.clip(at["missed"], LEAST_SHARE, 1.0 - LEAST_SHARE)
    fired = (at["deviation"] ** 2 - share * (1.0 - share) * at["gross"] ** 2) / (1.0 - share)
    at["deviation"][:] = np.sqrt(np.maximum(fired, (BASE_VARIATION * at["gross"]) ** 2))
    at["missed"][:] = ndtri(share)
    return values


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
        for name in ("gross", "deviation", "burned_fraction", "blow_back", "missed"):
            at[name][:, j, :] = np.where(dead, 0.0, at[name][:, j, :])
    return tables._replace(values=values)
