"""Surge over speed and load in a gear: how a table, an engine and a gear get on, on the level road and around it."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from ..cycle.engine_tables import EngineTables, engine_tables
from ..errors import InputError, NoSolutionError
from ..results import Measure, Record, measure
from .converter import converter_of, converter_point, converter_space, coupling_of
from .delayed_modes import delayed_modes
from .driveline import Driveline, StateSpace, driveline_of, road_speed_at, state_space
from .engine_loop import Engine, LoopPoint, SparkMap, engine_of, loop_point
from .road_load import engine_torque_on_road
from .surge import PARTS, Surge, grade, loop_matrices, slope_limits, surge_at

if TYPE_CHECKING:
    from ..build import Build

__all__ = ["RoadSurge", "SurgeMap", "idle_damping", "surge_map", "surge_risk"]

Array = NDArray[np.float64]

SPEEDS = np.arange(900.0, 2801.0, 100.0) / 60.0
MAP_SPEEDS, MAP_PRESSURES = np.linspace(900.0, 2700.0, 16) / 60.0, np.linspace(30e3, 90e3, 16)
APPLIES_TO = "FINAL spark: table plus every adder; the table is taken as the whole of it"
GEARED = ("locked", "converter")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class RoadSurge(Record):
    """A gear on the level road, speed by speed: what shakes the car, what damps it, what slopes it stands.

    Accelerations are r.m.s. within 0.5 to 16 Hz along the road; verdicts are ours, by peak to peak. ``takes`` has a row for
    each of ``parts``: how much damping it adds, negative where it takes some. Slope limits hold either way.
    Where it swings by itself accelerations are infinite (zero where nothing moves it).
    """

    gear: int
    coupling: str
    speed: Measure = measure("crank_rps", "rpm")
    road_speed: Measure = measure("m/s", "km/h")
    manifold_pressure: Measure = measure("Pa", "kPa")
    spark: Measure = measure("crank_deg", doc="of the table")
    frequency: Measure = measure("Hz", doc="of the least damped mode")
    damping: Measure = measure("", doc="over critical; below zero it swings by itself")
    takes: Measure = measure("", doc="damping that each part adds")
    from_jitter: Measure = measure("m/s**2", doc="signals that swing, through the table's slopes")
    from_burn: Measure = measure("m/s**2", doc="cycles that vary")
    acceleration: Measure = measure("m/s**2", doc="both")
    weighted: Measure = measure("m/s**2", doc="both, weighted after ISO 2631-1 (Wd)")
    slope_along_speed: Measure = measure("crank_deg/crank_rps", "crank_deg/krpm", doc="of the table")
    slope_along_load: Measure = measure("crank_deg/Pa", "crank_deg/kPa", doc="of the table")
    critical_along_speed: Measure = measure("crank_deg/crank_rps", "crank_deg/krpm", doc="at which damping is gone; the end of the search stands for more")
    critical_along_load: Measure = measure("crank_deg/Pa", "crank_deg/kPa")
    limit_along_speed: Measure = measure("crank_deg/crank_rps", "crank_deg/krpm", doc="half the critical")
    limit_along_load: Measure = measure("crank_deg/Pa", "crank_deg/kPa", doc="half the critical, and no more than a trace of acceleration from jitter")
    verdict: tuple[str, ...]
    verdict_at_half: tuple[str, ...]
    verdict_at_double: tuple[str, ...]
    parts: tuple[str, ...] = PARTS
    applies_to: str = APPLIES_TO

    @property
    def bad_below(self) -> float:
        """The crank speed [rev/s] below which the verdict is "disturbing" or worse somewhere; NaN if nowhere."""
        bad = [k for k, word in enumerate(self.verdict) if word in BAD]
        return math.nan if not bad else float(self.si.speed[max(bad)])


BAD = ("disturbing", "severe bucking", "bucks by itself")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SurgeMap(Record):
    """Damping and acceleration over speed and manifold pressure in a gear; rows pressures, columns speeds; blank where no cycle runs."""

    gear: int
    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa")
    road_speed: Measure = measure("m/s", "km/h")
    damping: Measure = measure("")
    frequency: Measure = measure("Hz")
    acceleration: Measure = measure("m/s**2")
    road_pressure: Measure = measure("Pa", "kPa", doc="the level road, by speed")
    verdict: tuple[tuple[str, ...], ...]
    applies_to: str = APPLIES_TO


class _Point(NamedTuple):
    """One point of the road: driveline, loop, road speed [m/s]."""

    space: StateSpace
    loop: LoopPoint
    road_speed: float


def surge_risk(build: Build, table: SparkMap, *, gear: int, tables: EngineTables | None = None, coupling: str = "locked", speeds: Array = SPEEDS) -> RoadSurge:
    """Return how a spark table gets on with an engine in a gear on the level road.

    Parameters
    ----------
    build : Build
    table : SparkTable
        Taken as FINAL spark.
    gear : int
        Counted from 1.
    tables : EngineTables
        Of the build's engine; made when left out, which takes most of the time.
    coupling : str
        ``"locked"``: clutch or locked converter. ``"converter"``: open converter.
    speeds : array
        Crank speeds [rev/s].

    Raises
    ------
    InputError
        If there is no such gear, or the table does not cover the road.
    NoSolutionError
        If the engine holds the car at none of the speeds.
    """
    if coupling not in GEARED:
        raise InputError("coupling", came=coupling, expected=" or ".join(GEARED))
    driveline = driveline_of(build, gear)
    engine = engine_of(build, _tables(build) if tables is None else tables)
    limits = build.limits
    rows: list[tuple[_Point, Surge, tuple[float, float], tuple[float, float]]] = []
    outside: list[str] = []
    for speed in map(float, speeds):
        pressure, turbine = _road(build, engine, driveline, table, speed, gear, coupling)
        if math.isnan(pressure):
            continue
        load = engine.load(speed, pressure, 25.0, table.load_kind)
        if not _covers(table, speed, load):
            outside.append(f"{speed * 60:.0f} rpm, {pressure / 1e3:.0f} kPa")
            continue
        point = _point(build, engine, driveline, table, speed, pressure, turbine)
        if point is None:
            continue
        jitter = limits.load_jitter * point.loop.blow_back * pressure
        per = 2.0 * math.pi * limits.si.speed_jitter
        surge = surge_at(point.space, engine, point.loop, jitter=jitter, speed_jitter=per)
        beside = tuple(math.hypot(f * surge.from_jitter, surge.from_burn) for f in (0.5, 2.0))
        rows.append((point, surge, slope_limits(point.space, engine, point.loop, surge, jitter=jitter), (beside[0], beside[1])))
    if outside:
        raise InputError("the spark table", came="no cells there", expected="cells all along the level road: " + "; ".join(outside), fix="widen its axes")
    if not rows:
        raise NoSolutionError(f"the engine holds the car on the level in gear {gear} at none of the speeds", fix="take a lower gear, or other speeds")
    return _road_surge(gear, coupling, rows)


def _tables(build: Build) -> EngineTables:
    from ..cycle.resolved import ResolvedEngine

    engine: Any = ResolvedEngine(build, rtol=1e-5, tolerance=2e-4)
    return engine_tables(engine)


def _road_surge(gear: int, coupling: str, rows: list[tuple[_Point, Surge, tuple[float, float], tuple[float, float]]]) -> RoadSurge:
    points, surges = [r[0] for r in rows], [r[1] for r in rows]
    turn = 2.0 * math.pi  # what is per rad/s becomes per rev/s

    def each(values: list[float]) -> Array:
        return np.array(values)

    return RoadSurge(
        gear=gear,
        coupling=coupling,
        speed=each([p.loop.speed for p in points]),
        road_speed=each([p.road_speed for p in points]),
        manifold_pressure=each([p.loop.pressure for p in points]),
        spark=each([p.loop.spark for p in points]),
        frequency=each([s.frequency for s in surges]),
        damping=each([s.damping for s in surges]),
        takes=np.array([s.takes for s in surges]).T,
        from_jitter=each([s.from_jitter for s in surges]),
        from_burn=each([s.from_burn for s in surges]),
        acceleration=each([s.total for s in surges]),
        weighted=each([s.weighted for s in surges]),
        slope_along_speed=each([p.loop.spark_by_speed * turn for p in points]),
        slope_along_load=each([p.loop.spark_by_pressure for p in points]),
        critical_along_speed=each([s.critical_by_speed * turn for s in surges]),
        critical_along_load=each([s.critical_by_pressure for s in surges]),
        limit_along_speed=each([r[2][0] * turn for r in rows]),
        limit_along_load=each([r[2][1] for r in rows]),
        verdict=tuple(s.verdict for s in surges),
        verdict_at_half=tuple(grade(r[3][0], r[1].damping) for r in rows),
        verdict_at_double=tuple(grade(r[3][1], r[1].damping) for r in rows),
    )


def surge_map(
    build: Build, table: SparkMap, *, gear: int, tables: EngineTables | None = None, speeds: Array = MAP_SPEEDS, pressures: Array = MAP_PRESSURES
) -> SurgeMap:
    """Return damping and acceleration over speed and load in a gear, locked; parameters as for ``surge_risk``.

    Raises
    ------
    InputError
        If there is no such gear.
    """
    driveline = driveline_of(build, gear)
    engine = engine_of(build, _tables(build) if tables is None else tables)
    limits = build.limits
    shape = (pressures.size, speeds.size)
    damping, frequency, rms = (np.full(shape, np.nan) for _ in range(3))
    words = [[""] * speeds.size for _ in range(pressures.size)]
    road = np.full(speeds.size, np.nan)
    for k, speed in enumerate(map(float, speeds)):
        road[k] = _road(build, engine, driveline, table, speed, gear, "locked")[0]
        space = state_space(driveline, road_speed_at(driveline, speed))
        root: complex | None = None
        for j in range(pressures.size - 1, -1, -1):
            point = loop_point(engine, table, speed, float(pressures[j]))
            if point is None:
                root = None
                continue
            jitter = limits.load_jitter * point.blow_back * float(pressures[j])
            surge = surge_at(space, engine, point, jitter=jitter, speed_jitter=2.0 * math.pi * limits.si.speed_jitter, start=root, slopes=False)
            root = surge.root
            damping[j, k], frequency[j, k], rms[j, k], words[j][k] = surge.damping, surge.frequency, surge.total, surge.verdict
    return SurgeMap(
        gear=gear,
        speed=speeds,
        manifold_pressure=pressures,
        road_speed=np.array([road_speed_at(driveline, float(s)) for s in speeds]),
        damping=damping,
        frequency=frequency,
        acceleration=rms,
        road_pressure=road,
        verdict=tuple(map(tuple, words)),
    )


def idle_damping(build: Build, table: SparkMap, *, speed: float, pressure: float, tables: EngineTables) -> tuple[float, float] | None:
    """Return frequency [Hz] and damping of the idle's own swing in neutral at a speed [rev/s] and pressure [Pa]; None where nothing swings or runs."""
    engine = engine_of(build, tables)
    point = loop_point(engine, table, speed, pressure)
    if point is None:
        return None
    inertia = build.engine.si.rotating_inertia
    neutral = StateSpace(np.zeros((1, 1)), np.array([1.0 / inertia]), np.ones(1), np.zeros(1))
    loop = loop_matrices(neutral, engine, point)
    mode = delayed_modes(loop.state, loop.delayed, fastest=6.0).least_damped(0.1, 6.0)
    return None if mode is None else (mode.frequency, mode.damping)


def _road(build: Build, engine: Engine, driveline: Driveline, table: SparkMap, speed: float, gear: int, coupling: str) -> tuple[float, float]:
    """Return the manifold pressure [Pa] that holds the car on the level, and the turbine's speed [rev/s]; NaN where nothing does."""
    turbine = speed
    if coupling == "locked":
        torque = engine_torque_on_road(build, speed, build.vehicle.gear_ratios[gear - 1])
    else:
        turbine = _turbine(build, speed, gear)
        if math.isnan(turbine):
            return math.nan, math.nan
        torque = converter_point(converter_of(build.vehicle), engine_speed=speed, turbine_speed=turbine).engine_torque
    pressures = engine.tables.pressures
    found = np.array([engine.torque(speed, float(p), _spark_near(engine, table, speed, float(p))) for p in pressures])
    above = np.flatnonzero(found >= torque)
    if above.size == 0 or above[0] == 0 or not math.isfinite(found[above[0] - 1]):
        return math.nan, turbine
    k = int(above[0])
    share = (torque - found[k - 1]) / (found[k] - found[k - 1])
    return float(pressures[k - 1] + share * (pressures[k] - pressures[k - 1])), turbine


def _spark_near(engine: Engine, table: SparkMap, speed: float, pressure: float) -> float:
    load = engine.load(speed, pressure, 25.0, table.load_kind)
    return float(table.spark_at(speed, load)) if math.isfinite(load) else 25.0


def _turbine(build: Build, speed: float, gear: int) -> float:
    """Return the turbine speed [rev/s] at which an open converter at an engine speed holds the car on the level; NaN if none does."""
    converter = converter_of(build.vehicle)
    ratio = build.vehicle.gear_ratios[gear - 1]

    def spare(turbine: float) -> float:
        given = converter_point(converter, engine_speed=speed, turbine_speed=turbine).turbine_torque
        return given - engine_torque_on_road(build, turbine, ratio)

    low, high = 0.02 * speed, 0.9999 * speed
    if spare(low) < 0.0 or spare(high) > 0.0:
        return math.nan
    return float(brentq(spare, low, high, xtol=1e-4))


def _point(build: Build, engine: Engine, driveline: Driveline, table: SparkMap, speed: float, pressure: float, turbine: float) -> _Point | None:
    point = loop_point(engine, table, speed, pressure)
    if point is None:
        return None
    road = road_speed_at(driveline, turbine)
    if turbine == speed:
        return _Point(state_space(driveline, road), point, road)
    coupling = coupling_of(converter_of(build.vehicle), engine_speed=speed, turbine_speed=turbine)
    return _Point(converter_space(driveline, coupling, road), point, road)


def _covers(table: Any, speed: float, load: float) -> bool:
    speeds, loads = table.si.speed, table.loads
    return bool(speeds[0] <= speed <= speeds[-1] and loads[0] <= load <= loads[-1])
