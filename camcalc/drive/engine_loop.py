"""The engine as the driveline feels it, about one operating point: torque and what leaves the plenum by speed, spark and the plenum's gas.

What changes no longer is that of tables of settled cycles, so that overlap really enters: at a held throttle a slower engine keeps more burned gas and
loses torque for it. How it comes there over the cycles is that of ``CycleMemory``; an engine without one answers at once and whole, late by the way from
induction to power.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from ..constants import AIR_GAMMA, AIR_GAS_CONSTANT, torque_of_mean_pressure
from ..cycle.engine_tables import EngineTables
from ..cycle.load_axis import AIR_CHARGE, MANIFOLD_PRESSURE
from ..cycle.memory import INPUTS, LOSSES, OUTPUTS, CycleMemory, Given, Made
from ..engine.friction import rubbing_friction
from ..engine.valve_flow import orifice_flow_kernel
from .plenum import PlenumGas, PlenumSlopes, plenum_gas_of, plenum_slopes, plenum_state, throttle_area

if TYPE_CHECKING:
    from ..cycle.operating import EngineModel
    from ..sheet import Build

__all__ = [
    "Delays", "EngineSide", "LevelSpark", "LoopPoint", "SparkMap", "delays_at", "engine_side_of", "loop_point", "surge_tables", "table_spark", "tables_of",
]  # fmt: skip

Array = NDArray[np.float64]

# From the middle of induction (100 degrees after overlap top dead centre) to the middle of the power it makes (50 after firing
# top dead centre); ESTIMATE from the events of ordinary engines.
INDUCTION_TO_TORQUE = 310.0
# From the spark (some 25 before) to the same middle; ESTIMATE.
SPARK_TO_TORQUE = 75.0
# Air in the plenum is a little warmer than outside [K]; only the time constant of the plenum's filling rests on it. ESTIMATE.
PLENUM_WARMER = 20.0
# Half steps of the slopes taken from the tables: half of their own spacing.
SPEED_STEP, PRESSURE_STEP, SPARK_STEP = 100.0 / 60.0, 2.5e3, 4.0
CLOSE_BY = 0.1
# Axes of the tables: speeds above idle [rev/s], and pressures [Pa].
FASTER, LOADS = np.arange(1000.0, 3001.0, 200.0) / 60.0, np.arange(20e3, 100.1e3, 5e3)
BELOW_IDLE, ABOVE_IDLE = 0.85, 1.08


class SparkMap(Protocol):
    """What is asked of a spark table."""

    @property
    def load_kind(self) -> str:
        """Which kind of load its axis has."""
        ...

    def spark_at(self, speed: float, load: float) -> float:
        """Return spark [crank deg] at a speed [rev/s] and load, SI, edges held."""
        ...

    def slopes_at(self, speed: float, load: float) -> tuple[float, float]:
        """Return its slopes: per rev/s and per unit of load."""
        ...


class LevelSpark(NamedTuple):
    """A table of one spark [crank deg]."""

    spark: float
    load_kind: str = MANIFOLD_PRESSURE

    def spark_at(self, speed: float, load: float) -> float:
        """Return the spark."""
        return self.spark

    def slopes_at(self, speed: float, load: float) -> tuple[float, float]:
        """Return no slopes."""
        return 0.0, 0.0


class EngineSide(NamedTuple):
    """What does not change from point to point; SI, speeds rev/s."""

    tables: EngineTables
    cylinders: int
    swept: float
    plenum_volume: float
    plenum_temperature: float
    ambient: float
    friction_factor: float
    load_filter: float
    reference_air: float
    plenum: PlenumGas
    charge_per_air: float = 1.0

    def torque(self, speed: float, pressure: float, spark: float) -> float:
        """Return brake torque [N m]."""
        net = self.tables.at(speed, pressure, spark)["net"]
        return torque_of_mean_pressure(net - self.friction_factor * rubbing_friction.kernel(speed), self.cylinders * self.swept)

    def air_flow(self, speed: float, pressure: float, spark: float) -> float:
        """Return the air drawn by all cylinders [kg/s]."""
        return self.tables.at(speed, pressure, spark)["air"] * self.cylinders * speed / 2.0

    def load(self, speed: float, pressure: float, spark: float, kind: str) -> float:
        """Return a load of a kind, SI.

        Parameters
        ----------
        speed : float [rev/s]
        pressure : float [Pa]
            In the plenum.
        spark : float [crank deg before top dead centre]
        kind : str
            ``manifold pressure``, ``air charge`` or ``relative charge``.
        """
        if kind == MANIFOLD_PRESSURE:
            return pressure
        air = self.tables.at(speed, pressure, spark)["air"]
        return air if kind == AIR_CHARGE else air / self.reference_air


class Delays(NamedTuple):
    """Delays of the loop [s]: induction to torque, spark to torque, speed measured and used, load sampled and used."""

    induction: float
    spark: float
    speed: float
    load: float


class LoopPoint(NamedTuple):
    """Slopes about one operating point, settled; speeds in rad/s but ``speed`` [rev/s].

    Torque [N m] by speed, pressure [Pa] and spark [deg]; air flow in and out of the plenum [kg/s] by the same; spark of the table
    by speed and by filtered manifold pressure; ``deviation`` of one firing's torque [N m]; blow-back share.

    Attributes
    ----------
    memory : CycleMemory or None
        How torque and what leaves the plenum come there over the cycles; without it they come at once, after ``delays``.
    plenum_slopes : PlenumSlopes or None
        Of the plenum's mass, temperature and burned gas; with ``memory`` alone.
    opening : float
        Of the throttle: its area [m2] with ``plenum_slopes``; without them the flow [kg/s] that it lets in.
    """

    speed: float
    pressure: float
    spark: float
    torque: float
    torque_by_speed: float
    friction_by_speed: float
    torque_by_pressure: float
    torque_by_spark: float
    flow_by_speed: float
    flow_by_pressure: float
    throttle_by_pressure: float
    filling_rate: float
    spark_by_speed: float
    spark_by_pressure: float
    deviation: float
    blow_back: float
    delays: Delays
    memory: CycleMemory | None = None
    plenum_slopes: PlenumSlopes | None = None
    opening: float = 0.0

    @property
    def static(self) -> Array:
        """Slopes of torque and of the plenum's losses by what is given, from the tables; friction apart."""
        by = np.zeros((OUTPUTS, INPUTS))
        by[Made.WORK, :3] = self.torque_by_speed - self.friction_by_speed, self.torque_by_pressure, self.torque_by_spark
        by[Made.MASS, :2] = self.flow_by_speed, self.flow_by_pressure
        return by

    @property
    def plenum(self) -> PlenumSlopes:
        """Slopes of the plenum's rates: of mass, temperature and burned gas, or, without memory, of the pressure of air alone at one temperature."""
        if self.plenum_slopes is not None:
            return self.plenum_slopes
        own = np.array([[self.filling_rate * self.throttle_by_pressure]])
        return PlenumSlopes(own, np.array([[-self.filling_rate, 0.0, 0.0]]), np.array([self.filling_rate]), np.array([[1.0], [0.0], [0.0]]))

    def answer(self, s: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Return how torque [N m] and the plenum's losses answer what is given, as ``CycleMemory.answer``; what no longer changes as the tables have it.

        Parameters
        ----------
        s : array, shape (n,)
            Complex frequencies [1/s].
        """
        by = self.static
        if self.memory is None:
            return static_answer(s, by, self.delays.induction, self.delays.spark)
        # The tables know the torque closely; what leaves the plenum the memory knows.
        by[:, : Given.TEMPERATURE] -= self.memory.settled_slopes
        by[Made.MASS :] = 0.0
        return self.memory.answer(s) + static_answer(s, by, self.delays.induction, self.delays.spark)


def engine_side_of(build: Build, engine_tables: EngineTables) -> EngineSide:
    """Return the engine of a build on its tables."""
    from ..cycle.load_axis import air_charge_of
    from ..engine.atmosphere import barometer_of
    from ..engine.gas import fuel_data
    from ..engine.geometry import geometry_of

    geometry = geometry_of(build.engine)
    # What has no memory has no runners of its own either: they count as part of the plenum.
    runners = 0.0 if engine_tables.memory is not None else geometry.cylinders * build.engine.si.intake_runner_volume
    return EngineSide(
        tables=engine_tables,
        cylinders=geometry.cylinders,
        swept=geometry.swept,
        plenum_volume=build.engine.si.plenum_volume + runners,
        plenum_temperature=build.site.si.air_temperature + PLENUM_WARMER,
        ambient=barometer_of(build.site),
        friction_factor=build.engine.friction_factor,
        load_filter=build.limits.si.load_filter,
        reference_air=air_charge_of(build, 1.0),
        plenum=plenum_gas_of(build, runners=engine_tables.memory is None),
        charge_per_air=1.0 + 1.0 / (fuel_data(build.fuel.kind, build.idle.mixture).stoichiometric * build.idle.mixture),
    )


def tables_of(build: Build) -> EngineTables:
    """Return the tables of a build's resolved cycles, as surge needs them: some ten seconds."""
    from ..cycle.models import engine_kind

    return surge_tables(engine_kind("resolved")(build))


def surge_tables(engine: EngineModel, progress: Callable[[float], None] = lambda share: None) -> EngineTables:
    """Return the tables of an engine model from below its idle to what a whole pedal reaches at low speed, idle on the axis of speeds."""
    from ..cycle.engine_tables import engine_tables

    idle = engine.build.idle.si.speed
    return engine_tables(engine, np.array([BELOW_IDLE * idle, idle, *FASTER[ABOVE_IDLE * idle < FASTER]]), LOADS, progress=progress)


def delays_at(speed: float, cylinders: int) -> Delays:
    """Return the delays at a crank speed [rev/s]: what is measured waits half a firing interval on average, and so does spark."""
    degree = 1.0 / (360.0 * speed)
    half = 360.0 / cylinders * degree
    return Delays(INDUCTION_TO_TORQUE * degree, SPARK_TO_TORQUE * degree + half, half, half)


def loop_point(engine_side: EngineSide, table: SparkMap, speed: float, pressure: float, spark: float | None = None) -> LoopPoint | None:
    """Return the slopes at a speed [rev/s] and pressure [Pa], at the table's spark unless another is given; None where no cycle runs.

    Parameters
    ----------
    engine_side : EngineSide
    table : SparkMap
    speed : float [rev/s]
    pressure : float [Pa]
        In the plenum.
    spark : float [crank deg before top dead centre]
        The table's there when left out.

    Notes
    -----
    Slopes are central differences over half a spacing of the engine's tables; next to where cycles cease to settle a tenth of that.

    References
    ----------
    Filling of the plenum: Heywood 1988, section 14.3 (filling and emptying), from memory. Flow through the throttle: Heywood 1988, appendix C.
    """
    if spark is None:
        spark = table_spark(engine_side, table, speed, pressure)
    if math.isnan(spark):
        return None
    t = engine_side.torque(speed, pressure, spark)
    per_radian = 2.0 * math.pi
    # Sparks are held at the ends of the tables, where a slope taken across would come out too small: it is taken within.
    first, last = engine_side.tables.sparks[0] + SPARK_STEP, engine_side.tables.sparks[-1] - SPARK_STEP
    middle = min(max(spark, float(first)), float(last))

    def slope(f: Callable[[float, float, float], float], which: int, step: float) -> float:
        # Next to where cycles cease to settle a shorter step still finds its slope.
        for h in (step, CLOSE_BY * step):
            low, high = ([speed, pressure, middle if which == 2 else spark] for _ in range(2))
            low[which] -= h
            high[which] += h
            found = (f(*high) - f(*low)) / (2.0 * h)
            if math.isfinite(found):
                break
        return found

    by_speed = slope(engine_side.torque, 0, SPEED_STEP) / per_radian
    found = [
        by_speed,
        slope(engine_side.torque, 1, PRESSURE_STEP),
        slope(engine_side.torque, 2, SPARK_STEP),
        slope(engine_side.air_flow, 0, SPEED_STEP) / per_radian,
        slope(engine_side.air_flow, 1, PRESSURE_STEP),
    ]
    if not all(math.isfinite(v) for v in (t, *found)):
        return None
    at = engine_side.tables.at(speed, pressure, spark)
    friction = -torque_of_mean_pressure(engine_side.friction_factor * _friction_slope(speed), engine_side.cylinders * engine_side.swept) / per_radian
    air = engine_side.air_flow(speed, pressure, spark)
    table_speed, table_load = table.slopes_at(speed, engine_side.load(speed, pressure, spark, table.load_kind))
    load_speed, load_pressure = 0.0, 1.0
    if table.load_kind != MANIFOLD_PRESSURE:
        load_speed = slope(lambda n, p, s: engine_side.load(n, p, s, table.load_kind), 0, SPEED_STEP)
        load_pressure = slope(lambda n, p, s: engine_side.load(n, p, s, table.load_kind), 1, PRESSURE_STEP)
    memory = engine_side.tables.memory.at(speed, pressure, spark) if engine_side.tables.memory is not None else None
    opening, plenum = (air, None) if memory is None else _plenum_slopes(engine_side.plenum, memory)
    return LoopPoint(
        speed=speed,
        pressure=pressure,
        spark=spark,
        torque=t,
        torque_by_speed=by_speed,
        friction_by_speed=friction,
        torque_by_pressure=found[1],
        torque_by_spark=found[2],
        flow_by_speed=found[3],
        flow_by_pressure=found[4],
        throttle_by_pressure=air * _flux_slope(pressure, engine_side.ambient, engine_side.plenum_temperature),
        filling_rate=AIR_GAS_CONSTANT * engine_side.plenum_temperature / engine_side.plenum_volume,
        spark_by_speed=(table_speed + table_load * load_speed) / per_radian,
        spark_by_pressure=table_load * load_pressure,
        deviation=torque_of_mean_pressure(at["deviation"], engine_side.cylinders * engine_side.swept),
        blow_back=at["blow_back"],
        delays=delays_at(speed, engine_side.cylinders),
        memory=memory,
        plenum_slopes=plenum,
        opening=opening,
    )


def _plenum_slopes(plenum: PlenumGas, memory: CycleMemory) -> tuple[float, PlenumSlopes]:
    """Return the throttle's opening [m2] and the slopes of the plenum's rates."""
    losses = memory.mean[LOSSES]
    state = plenum_state(plenum, memory.pressure, *map(float, memory.plenum))
    opening = throttle_area(plenum, memory.pressure, float(losses[0]))
    return opening, plenum_slopes(plenum, state, opening, losses)


def table_spark(engine_side: EngineSide, table: SparkMap, speed: float, pressure: float) -> float:
    """Return a table's spark at a speed and manifold pressure: air depends on spark a little, so thrice.

    Parameters
    ----------
    engine_side : EngineSide
    table : SparkMap
    speed : float [rev/s]
    pressure : float [Pa]
        In the plenum.
    """
    if table.load_kind == MANIFOLD_PRESSURE:
        return math.nan if math.isnan(pressure) else float(table.spark_at(speed, pressure))
    spark = 25.0
    for _ in range(3):
        load = engine_side.load(speed, pressure, spark, table.load_kind)
        if math.isnan(load):
            return math.nan
        spark = float(table.spark_at(speed, load))
    return spark


def _friction_slope(speed: float) -> float:
    step = 1.0
    return (rubbing_friction.kernel(speed + step) - rubbing_friction.kernel(speed - step)) / (2.0 * step)


def _flux_slope(pressure: float, ambient: float, temperature: float) -> float:
    """Return how the throttle's flow changes with plenum pressure at a held opening, over that flow [1/Pa]."""

    def flux(p: float) -> float:
        return orifice_flow_kernel(1.0, ambient, min(p, ambient), temperature, AIR_GAS_CONSTANT, AIR_GAMMA)

    step = 50.0
    return (flux(pressure + step) - flux(pressure - step)) / (2.0 * step * max(flux(pressure), 1e-9))


def static_answer(s: NDArray[np.complex128], by: Array, induction: float, spark: float) -> NDArray[np.complex128]:
    """Return an engine's answer without memory: torque late by the way from induction, or spark, to power; flows at once.

    Parameters
    ----------
    s : array, shape (n,)
        Complex frequencies [1/s].
    by : array, shape (outputs, inputs) [SI]
        Settled slopes, as ``CycleMemory.static``.
    induction, spark : float
        Delays [s].
    """
    out = np.tile(by.astype(complex), (len(s), 1, 1))
    out[:, Made.WORK, :] *= np.exp(-s * induction)[:, None]
    out[:, Made.WORK, Given.SPARK] = by[Made.WORK, Given.SPARK] * np.exp(-s * spark)
    return out
