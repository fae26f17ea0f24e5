"""Surge over speed and load in a gear: how a table, an engine and a gear get on, on the level road and around it."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord
from ..errors import InputError, NoSolutionError
from ..marks import Mark, Marks, ends_of_search
from ..results import Measure, measure
from ..units import quantity
from ..vehicle.converter import converter_of, converter_space, coupling_of
from ..vehicle.driveline import Driveline, StateSpace, driveline_of, road_speed_at, state_space
from ..vehicle.road_load import DRIVELINE_EFFICIENCY, resistance
from .drive_run import DriveRun, simulate_drive
from .engine_loop import EngineSide, LoopPoint, SparkMap, engine_side_of, loop_point, tables_of
from .level_road import covers, level_road
from .surge import MOST_BY_PRESSURE, MOST_BY_SPEED, PARTS, PEAK_TO_PEAK, Surge, grade, slope_limits, surge_at, swing_marks

if TYPE_CHECKING:
    from ..cycle.engine_tables import EngineTables
    from ..logs.swing import SignalSwing
    from ..sheet import Build
    from ..tables import SparkTable

__all__ = ["RoadSurge", "SurgeMap", "surge_map", "surge_risk"]

Array = NDArray[np.float64]

SPEEDS = np.arange(900.0, 2801.0, 100.0) / 60.0
MAP_SPEEDS, MAP_PRESSURES = np.linspace(900.0, 2700.0, 16) / 60.0, np.linspace(30e3, 90e3, 16)
APPLIES_TO = "FINAL spark: table plus every adder; the table is taken as the whole of it"
GEARED = ("locked", "converter")
# Over time each point is driven for so long, the crank nudged so far from its speed at the start, and judged by what is left after
# the settling time: what lash or the table keeps alive shows, what dies does not. ESTIMATE.
DRIVEN, NUDGE, SETTLED = 20.0, 30.0 / 60.0, 5.0


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class RoadSurge(ArrayRecord):
    """A gear on the level road, speed by speed: what shakes the car, what damps it, what slopes it stands.

    Accelerations are r.m.s. within 0.5 to 16 Hz along the road; verdicts are ours, by peak to peak. ``takes`` has a row for
    each of ``parts``: how much damping it adds, negative where it takes some. Slope limits hold either way.
    Where it swings by itself accelerations are infinite (zero where nothing moves it).
    """

    AXES = ("speed",)

    gear: int
    coupling: str
    speed: Measure = measure("crank_rps", "rpm")
    road_speed: Measure = measure("m/s", "km/h")
    manifold_pressure: Measure = measure("Pa", "kPa")
    spark: Measure = measure("crank_deg", doc="of the table")
    frequency: Measure = measure("Hz", doc="of the least damped mode; zero, and damping one, where nothing swings")
    damping: Measure = measure("", doc="over critical; below zero it swings by itself")
    takes: Measure = measure("", doc="damping that each part adds")
    from_jitter: Measure = measure("m/s**2", doc="signals that swing, through the table's slopes")
    from_burn: Measure = measure("m/s**2", doc="cycles that vary")
    acceleration: Measure = measure("m/s**2", doc="both")
    weighted: Measure = measure("m/s**2", doc="both, weighted after ISO 2631-1 (Wd)")
    lash_crossed: Measure = measure("", doc="swing of the shafts' torque over its mean; near one and above it runs through the lash")
    over_time: Measure = measure("m/s**2", doc="driven over time with lash, the speed held, after a nudge")
    slope_along_speed: Measure = measure("crank_deg/crank_rps", "crank_deg/krpm", doc="of the table")
    slope_along_load: Measure = measure("crank_deg/Pa", "crank_deg/kPa", doc="of the table")
    critical_along_speed: Measure = measure("crank_deg/crank_rps", "crank_deg/krpm", doc="at which damping is gone; the end of the search stands for more")
    critical_along_load: Measure = measure("crank_deg/Pa", "crank_deg/kPa")
    limit_along_speed: Measure = measure("crank_deg/crank_rps", "crank_deg/krpm", doc="half the critical")
    limit_along_load: Measure = measure("crank_deg/Pa", "crank_deg/kPa", doc="half the critical, and no more than a trace of acceleration from jitter")
    verdict: tuple[str, ...]
    verdict_at_half: tuple[str, ...]
    verdict_at_double: tuple[str, ...]
    verdict_over_time: tuple[str, ...]
    swing_measured: bool = False
    without: tuple[str, ...] = ()
    parts: tuple[str, ...] = PARTS
    applies_to: str = APPLIES_TO
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)

    @property
    def bad_below(self) -> float:
        """The slowest crank speed [rev/s] looked at above all those where a verdict, linear or over time, is "disturbing" or worse.

        NaN if none is; the fastest looked at if even that is bad.
        """
        return math.nan if self.last_bad < 0 else float(self.si.speed[min(self.last_bad + 1, len(self.verdict) - 1)])

    @property
    def bad_below_mark(self) -> Mark | None:
        """What that speed is besides: none found, or the fastest looked at, which is bad itself."""
        if self.last_bad < 0:
            return Mark.NONE_FOUND
        return Mark.OR_MORE if self.last_bad == len(self.verdict) - 1 else None

    def worse_verdict(self, k: int) -> str:
        """Return the worse of the linear verdict and that over time at a point, from 0."""
        return max(self.verdict[k], self.verdict_over_time[k] or self.verdict[k], key=VERDICTS.index)

    @property
    def last_bad(self) -> int:
        """Which point, from 0, is the fastest bad one; -1 if none is."""
        return max((k for k, words in enumerate(zip(self.verdict, self.verdict_over_time, strict=True)) if not set(words).isdisjoint(BAD)), default=-1)


BAD = ("disturbing", "severe bucking", "bucks by itself", "stalls")
VERDICTS = ("imperceptible", "trace", "noticeable", *BAD)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SurgeMap(ArrayRecord):
    """Damping and acceleration over speed and manifold pressure in a gear; rows pressures, columns speeds; blank where no cycle runs."""

    AXES = ("manifold_pressure", "speed")
    ALONG = (("road_speed", "speed"), ("road_pressure", "speed"))

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


def surge_risk(
    build: Build,
    table: SparkTable,
    *,
    gear: int,
    engine_tables: EngineTables | None = None,
    coupling: str = "locked",
    speeds: Array = SPEEDS,
    over_time: bool = True,
    swing: SignalSwing | None = None,
) -> RoadSurge:
    """Return how a spark table gets on with an engine in a gear on the level road.

    Parameters
    ----------
    build : Build
    table : SparkTable
        Taken as FINAL spark.
    gear : int
        Counted from 1.
    engine_tables : EngineTables
        Of the build's engine; made when left out, which takes most of the time.
    coupling : str
        ``"locked"``: clutch or locked converter. ``"converter"``: open converter.
    speeds : array
        Crank speeds [rev/s].
    over_time : bool
        Whether each point is also driven over time, lash and all.
    swing : SignalSwing
        How far the signals swing, measured in a log; the estimate of ``[limits]`` where it does not tell, and over time.

    Raises
    ------
    InputError
        If there is no such gear, or the table does not cover the road.
    NoSolutionError
        If the engine holds the car at none of the speeds.
    """
    if coupling not in GEARED:
        raise InputError("coupling", came=coupling, expected=" or ".join(GEARED))
    driveline = driveline_of(build, gear, locked=coupling == "locked")
    engine_tables = tables_of(build) if engine_tables is None else engine_tables
    engine_side = engine_side_of(build, engine_tables)
    rows: list[_Row] = []
    outside, without = [], []
    for speed in map(float, speeds):
        pressure, turbine = level_road(build, engine_side, driveline, table, speed, gear, coupling)
        if math.isnan(pressure):
            without.append(f"{speed * 60:.0f} rpm: the engine does not hold the car")
            continue
        if not covers(table, speed, engine_side.load(speed, pressure, 25.0, table.load_kind)):
            outside.append(f"{speed * 60:.0f} rpm, {pressure / 1e3:.0f} kPa")
            continue
        try:
            point = _point(build, engine_side, driveline, table, speed, pressure, turbine)
            rows.append(_row(build, engine_side, driveline, point, swing))
        except NoSolutionError as error:
            without.append(f"{speed * 60:.0f} rpm: {error.args[0]}")
    if outside:
        raise InputError("the spark table", came="no cells there", expected="cells all along the level road: " + "; ".join(outside), fix="widen its axes")
    if not rows:
        last = f" ({without[-1]})" if without else ""
        raise NoSolutionError(f"gear {gear} has no answer on the level at any of the speeds{last}", fix="take a lower gear, or other speeds")
    runs = [_driven(build, table, gear, coupling, row.point.loop.speed, engine_tables) if over_time else None for row in rows]
    return _road_surge(gear, coupling, rows, runs, tuple(without)).replace(swing_measured=swing is not None)


class _Row(NamedTuple):
    """A point, what it does, its slope limits, the shaking at half and double the jitter, the swing of the shafts over their mean."""

    point: _Point
    surge: Surge
    limits: tuple[float, float]
    half: float
    double: float
    lash: float


def _row(build: Build, engine_side: EngineSide, driveline: Driveline, point: _Point, swing: SignalSwing | None) -> _Row:
    loop = point.loop
    nothing = math.nan
    jitter, speed_jitter = (nothing, nothing) if swing is None else swing.at(loop.speed)
    if math.isnan(jitter):
        jitter = build.limits.load_jitter * loop.blow_back * loop.pressure
    if math.isnan(speed_jitter):
        speed_jitter = build.limits.si.speed_jitter
    surge = surge_at(point.space, engine_side, loop, jitter=jitter, speed_jitter=2.0 * math.pi * speed_jitter)
    half, double = (math.hypot(f * surge.from_jitter, surge.from_burn) for f in (0.5, 2.0))
    twisting = 0.5 * PEAK_TO_PEAK * surge.total * driveline.vehicle_inertia / driveline.tyre_radius
    mean = resistance(build, point.road_speed) / DRIVELINE_EFFICIENCY * driveline.tyre_radius
    return _Row(point, surge, slope_limits(point.space, engine_side, loop, surge, jitter=jitter), half, double, twisting / mean)


def _driven(build: Build, table: SparkTable, gear: int, coupling: str, speed: float, engine_tables: EngineTables) -> DriveRun:
    run = simulate_drive(
        build,
        table,
        gear=gear,
        coupling=coupling,
        speed=quantity(speed, "crank_rps"),
        driver="speed hold",
        duration=quantity(DRIVEN, "s"),
        kick=quantity(NUDGE, "crank_rps"),
        engine_tables=engine_tables,
    )
    return run if run.stalled else run.after(SETTLED)


def _road_surge(gear: int, coupling: str, rows: list[_Row], runs: list[DriveRun | None], without: tuple[str, ...]) -> RoadSurge:
    points, surges = [r.point for r in rows], [r.surge for r in rows]
    turn = 2.0 * math.pi  # what is per rad/s becomes per rev/s
    each = np.array
    return RoadSurge(
        gear=gear,
        coupling=coupling,
        speed=each([p.loop.speed for p in points]),
        road_speed=each([p.road_speed for p in points]),
        manifold_pressure=each([p.loop.pressure for p in points]),
        spark=each([p.loop.spark for p in points]),
        frequency=each([s.frequency for s in surges]),
        damping=each([s.damping for s in surges]),
        takes=each([s.takes for s in surges]).T,
        from_jitter=each([s.from_jitter for s in surges]),
        from_burn=each([s.from_burn for s in surges]),
        acceleration=each([s.total for s in surges]),
        weighted=each([s.weighted for s in surges]),
        lash_crossed=each([r.lash for r in rows]),
        over_time=each([math.nan if run is None or run.stalled else run.shake for run in runs]),
        slope_along_speed=each([p.loop.spark_by_speed * turn for p in points]),
        slope_along_load=each([p.loop.spark_by_pressure for p in points]),
        critical_along_speed=each([s.critical_by_speed * turn for s in surges]),
        critical_along_load=each([s.critical_by_pressure for s in surges]),
        limit_along_speed=each([r.limits[0] * turn for r in rows]),
        limit_along_load=each([r.limits[1] for r in rows]),
        verdict=tuple(s.verdict for s in surges),
        verdict_at_half=tuple(grade(r.half, r.surge.damping) for r in rows),
        verdict_at_double=tuple(grade(r.double, r.surge.damping) for r in rows),
        verdict_over_time=tuple("" if run is None else run.verdict for run in runs),
        without=without,
        marks=_marks(rows),
    )


def _marks(rows: list[_Row]) -> dict[str, Marks]:
    """Return which slopes are an end of the search for them, or half of one, and where nothing swings."""
    critical, limits = [(r.surge.critical_by_speed, r.surge.critical_by_pressure) for r in rows], [r.limits for r in rows]
    most = MOST_BY_SPEED, MOST_BY_PRESSURE
    found = swing_marks([r.surge.frequency for r in rows])
    for k, along in enumerate(("speed", "load")):
        found[f"critical_along_{along}"] = ends_of_search(np.array([c[k] for c in critical]), most=most[k])
        found[f"limit_along_{along}"] = ends_of_search(np.array([limit[k] for limit in limits]), most=0.5 * most[k])
    return found


def surge_map(
    build: Build, table: SparkMap, *, gear: int, engine_tables: EngineTables | None = None, speeds: Array = MAP_SPEEDS, pressures: Array = MAP_PRESSURES
) -> SurgeMap:
    """Return damping and acceleration over speed and load in a gear, locked; parameters as for ``surge_risk``.

    Raises
    ------
    InputError
        If there is no such gear.
    """
    driveline = driveline_of(build, gear)
    engine_side = engine_side_of(build, tables_of(build) if engine_tables is None else engine_tables)
    limits = build.limits
    shape = (pressures.size, speeds.size)
    damping, frequency, rms = (np.full(shape, np.nan) for _ in range(3))
    words = [[""] * speeds.size for _ in range(pressures.size)]
    road = np.full(speeds.size, np.nan)
    for k, speed in enumerate(map(float, speeds)):
        road[k] = level_road(build, engine_side, driveline, table, speed, gear, "locked")[0]
        space = state_space(driveline, road_speed_at(driveline, speed))
        root: complex | None = None
        for j in range(pressures.size - 1, -1, -1):
            point = loop_point(engine_side, table, speed, float(pressures[j]))
            if point is None:
                root = None
                continue
            jitter = limits.load_jitter * point.blow_back * float(pressures[j])
            surge = surge_at(space, engine_side, point, jitter=jitter, speed_jitter=2.0 * math.pi * limits.si.speed_jitter, start=root, slopes=False)
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


def _point(build: Build, engine_side: EngineSide, driveline: Driveline, table: SparkMap, speed: float, pressure: float, turbine: float) -> _Point:
    point = loop_point(engine_side, table, speed, pressure)
    if point is None:
        raise NoSolutionError("cycles do not settle close by, so that no slopes can be taken")
    road = road_speed_at(driveline, turbine)
    if turbine == speed:
        return _Point(state_space(driveline, road), point, road)
    coupling = coupling_of(converter_of(build.vehicle), engine_speed=speed, turbine_speed=turbine)
    return _Point(converter_space(driveline, coupling, road), point, road)
