"""Surge over speed and load in a gear: how a table, an engine and a gear get on, on the level road and around it."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError, NoSolutionError
from ..marks import Marks, ends_of_search
from ..vehicle.acceleration_weighting import SurgeGrade
from ..vehicle.converter import converter_of, converter_slopes, converter_space
from ..vehicle.coupling import Coupling
from ..vehicle.driveline import Driveline, StateSpace, driveline_of, road_speed_at, state_space
from ..vehicle.road_load import DRIVELINE_EFFICIENCY, resistance
from .closed_loop import ClosedLoop
from .driven import Driven, Drives, contributions, drives_at, shake_on_level
from .engine_loop import EngineSide, LoopPoint, SparkMap, engine_side_of, loop_point, table_spark, tables_of
from .level_road import covers, level_road, why_not_held
from .no_answer import NoAnswer, NoRoadError, SkippedPoint
from .road_surge import RoadSurge, SurgeMap
from .run_setup import FEET, SHAKERS, Foot, foot_answer
from .surge import MOST_BY_PRESSURE, MOST_BY_SPEED, PEAK_TO_PEAK, Surge, grade, slope_limits, surge_at, swing_marks

if TYPE_CHECKING:
    from ..cycle.engine_tables import EngineTables
    from ..logs.swing import SignalSwing
    from ..sheet import Build
    from ..tables import SparkTable

__all__ = ["RoadSurge", "SurgeMap", "risks_in", "surge_map", "surge_risk"]

Array = NDArray[np.float64]

SPEEDS = np.arange(900.0, 2801.0, 100.0) / 60.0
MAP_SPEEDS, MAP_PRESSURES = np.linspace(900.0, 2700.0, 16) / 60.0, np.linspace(30e3, 90e3, 16)


# Of the time that a gear takes what cycles remember takes so much, about: ESTIMATE, for the progress shown alone.
PREPARED = 0.7
# Where so little of a swing comes back through a loose foot, a drive is taken as that with a steady one: a swing is moved by less than the tenth or so that
# other draws of noise move it; sought over these frequencies [Hz]. ESTIMATE.
ALIKE, FOOT_BAND = 0.1, np.geomspace(0.5, 8.0, 40)


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
    coupling: Coupling | str = Coupling.LOCKED,
    speeds: Array = SPEEDS,
    over_time: bool = True,
    sources: bool = False,
    swing: SignalSwing | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> RoadSurge:
    """Return how hard a car surges on a spark table in a gear on the level road, and what damps it.

    Parameters
    ----------
    build : Build
    table : SparkTable
        Taken as final spark.
    gear : int
        Counted from 1.
    engine_tables : EngineTables
        Of the build's engine; made when left out, which takes most of the time.
    coupling : Coupling or str
        ``"locked"``: clutch or locked converter. ``"converter"``: open converter.
    speeds : array, shape (n,) [rev/s]
        Crank speeds.
    over_time : bool
        Whether each point is also driven over time, driveline backlash and all, with each foot.
    sources : bool
        Whether it is also driven without each of what shakes it, and on a level table of each point's own spark.
    swing : SignalSwing
        How far the signals swing, measured in a log; the estimate of ``[limits]`` where it does not tell, and over time.
    progress : callable
        Called with the share done, 0 to 1.

    Returns
    -------
    RoadSurge
        A point for each speed with an answer; the others are in ``skipped`` with the reason.

    Raises
    ------
    InputError
        If there is no such gear, or the table does not cover the road.
    NoRoadError
        If no speed has an answer; its ``skipped`` has the reasons.

    Notes
    -----
    Each point is a linear loop of engine, plenum, table and driveline (``surge_at``), and a drive over time on the same numbers (``simulate_drive``); in both
    cycles remember those before, where they are integrated. A verdict is by acceleration along the road, ours.

    References
    ----------
    Textbook: linear systems with delays, sampled systems, longitudinal vehicle dynamics. ISO 2631-1:1997 for the weighting.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build, read_table
    >>> from camcalc.cycle.engine_tables import engine_tables
    >>> build = load_build("examples/long-meadow/build.toml")
    >>> coarse = engine_tables(QuickEngine(build), np.array([15.0, 25.0, 35.0]), np.linspace(20e3, 95e3, 6), np.array([10.0, 25.0, 40.0]))
    >>> base = read_table("examples/quarry-road/spark.csv")
    >>> road = surge_risk(build, base, gear=3, engine_tables=coarse, speeds=np.array([25.0, 50.0]), over_time=False)
    >>> road.gear, len(road.verdict), [point.why.code for point in road.skipped]
    (3, 1, ['beyond_speeds'])
    """
    coupling = Coupling.chosen(coupling, "coupling")
    driveline = driveline_of(build, gear, locked=coupling is Coupling.LOCKED)
    engine_tables = tables_of(build) if engine_tables is None else engine_tables
    engine_side = engine_side_of(build, engine_tables)
    held: list[tuple[float, float, float]] = []
    rows: list[_Row] = []
    outside: list[str] = []
    skipped: list[SkippedPoint] = []
    for speed in map(float, speeds):
        pressure, turbine = level_road(build, engine_side, driveline, table, speed, gear, coupling)
        if math.isnan(pressure):
            skipped.append(SkippedPoint(gear=gear, speed=speed, why=why_not_held(build, engine_side, table, speed, gear, coupling)))
            continue
        if not covers(table, speed, engine_side.load(speed, pressure, 25.0, table.load_kind)):
            outside.append(f"{speed * 60:.0f} rpm, {pressure / 1e3:.0f} kPa")
            continue
        held.append((speed, pressure, turbine))
    if outside:
        raise InputError("the spark table", came="no cells there", expected="cells all along the level road: " + "; ".join(outside), fix="widen its axes")
    if engine_tables.memory is not None:
        engine_tables.memory.prepare(
            ((speed, pressure, table_spark(engine_side, table, speed, pressure)) for speed, pressure, _ in held),
            lambda share: progress(PREPARED * share),
        )
    for speed, pressure, turbine in held:
        point = _point(build, engine_side, driveline, table, speed, pressure, turbine)
        if point is None:
            skipped.append(SkippedPoint(gear=gear, speed=speed, why=NoAnswer.NO_SLOPES))
            continue
        try:
            rows.append(_row(build, engine_side, driveline, point, swing))
        except NoSolutionError:
            # Of the loop's roots fewer are found than the count says there are: the least damped may be among the others.
            skipped.append(SkippedPoint(gear=gear, speed=speed, why=NoAnswer.SWINGS_NOT_FOUND))
    skipped.sort(key=lambda point: float(point.si.speed))
    if not rows:
        raise NoRoadError(gear, tuple(skipped))
    found = None
    if over_time:
        drives = Drives(build, table, gear, coupling, engine_tables)
        at = [row.point.loop.speed for row in rows]
        runs = drives_at(drives, at, [_feet_of(engine_side, row.point) for row in rows])
        nothing = np.full((len(SHAKERS), len(at)), math.nan), np.full(len(at), math.nan)
        adds, level = (
            nothing
            if not sources
            else (
                contributions(drives, at, [run[0] for run in runs]),
                shake_on_level(drives, at, [row.point.loop.spark for row in rows]),
            )
        )
        found = _Runs(runs, adds, level)
    return _road_surge(gear, coupling, rows, found, tuple(skipped)).replace(swing_measured=swing is not None)


def risks_in(gears: Sequence[int], judge: Callable[[int], RoadSurge]) -> tuple[RoadSurge | NoRoadError, ...]:
    """Return what ``judge`` says of each gear, or why it says nothing, gears side by side."""

    def judged(gear: int) -> RoadSurge | NoRoadError:
        try:
            return judge(gear)
        except NoRoadError as error:
            return error

    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        return tuple(pool.map(judged, gears))


def _feet_of(engine_side: EngineSide, point: _Point) -> tuple[Foot, ...]:
    """Return the feet to drive a point with: where the loop through the loosest one comes back with next to nothing, all drive alike."""
    loop = ClosedLoop.of(point.space, engine_side, point.loop)
    back = np.abs(loop.by_opening(FOOT_BAND) * foot_answer(Foot.LOOSE, FOOT_BAND)).max()
    return FEET if back > ALIKE else (Foot.STEADY,)


class _Runs(NamedTuple):
    """Drives at each point, for each foot, what each shaker adds [m/s2], a row each, and what is left on a level table of the same spark [m/s2]."""

    driven: list[tuple[Driven, ...]]
    adds: Array
    level: Array


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


def _road_surge(gear: int, coupling: Coupling, rows: list[_Row], runs: _Runs | None, skipped: tuple[SkippedPoint, ...]) -> RoadSurge:
    points, surges = [r.point for r in rows], [r.surge for r in rows]
    turn = 2.0 * math.pi  # what is per rad/s becomes per rev/s
    each = np.array
    feet, points_count = len(FEET), len(rows)
    nothing = np.full((feet, points_count), math.nan)

    def driven(name: str) -> Array:
        return nothing if runs is None else each([[getattr(one, name) for one in at] for at in runs.driven]).T

    verdicts: tuple[tuple[SurgeGrade | None, ...], ...] = ((None,) * points_count,) * feet
    if runs is not None:
        verdicts = tuple(tuple(at[k].verdict for at in runs.driven) for k in range(feet))
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
        over_time=driven("shake")[0],
        driven=driven("shake"),
        driven_peaks=driven("peaks"),
        missed=driven("missed")[0],
        adds=np.full((len(SHAKERS), points_count), math.nan) if runs is None else runs.adds,
        on_level=np.full(points_count, math.nan) if runs is None else runs.level,
        slope_along_speed=each([p.loop.spark_by_speed * turn for p in points]),
        slope_along_load=each([p.loop.spark_by_pressure for p in points]),
        critical_along_speed=each([s.critical_by_speed * turn for s in surges]),
        critical_along_load=each([s.critical_by_pressure for s in surges]),
        limit_along_speed=each([r.limits[0] * turn for r in rows]),
        limit_along_load=each([r.limits[1] for r in rows]),
        verdict=tuple(s.verdict for s in surges),
        verdict_at_half=tuple(grade(r.half, r.surge.damping) for r in rows),
        verdict_at_double=tuple(grade(r.double, r.surge.damping) for r in rows),
        verdict_over_time=verdicts[0],
        verdict_driven=verdicts,
        skipped=skipped,
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
    """Return damping and acceleration over speed and load in a gear, locked.

    Parameters
    ----------
    build : Build
    table : SparkMap
        Taken as final spark.
    gear : int
        Counted from 1.
    engine_tables : EngineTables
        Of the build's engine; made when left out, which takes most of the time.
    speeds : array, shape (n,) [rev/s]
        Crank speeds.
    pressures : array, shape (m,) [Pa]
        Manifold pressures, absolute.

    Returns
    -------
    SurgeMap
        Rows pressures, columns speeds; NaN and no verdict where no cycle runs, or not every swing is found.

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
    verdicts: list[list[SurgeGrade | None]] = [[None] * speeds.size for _ in range(pressures.size)]
    road = np.full(speeds.size, np.nan)
    for k, speed in enumerate(map(float, speeds)):
        road[k] = level_road(build, engine_side, driveline, table, speed, gear, Coupling.LOCKED)[0]
        space = state_space(driveline, road_speed_at(driveline, speed))
        root: complex | None = None
        for j in range(pressures.size - 1, -1, -1):
            point = loop_point(engine_side, table, speed, float(pressures[j]))
            if point is None:
                root = None
                continue
            jitter = limits.load_jitter * point.blow_back * float(pressures[j])
            try:
                surge = surge_at(space, engine_side, point, jitter=jitter, speed_jitter=2.0 * math.pi * limits.si.speed_jitter, start=root, slopes=False)
            except NoSolutionError:
                root = None
                continue
            root = surge.root
            damping[j, k], frequency[j, k], rms[j, k], verdicts[j][k] = surge.damping, surge.frequency, surge.total, surge.verdict
    return SurgeMap(
        gear=gear,
        speed=speeds,
        manifold_pressure=pressures,
        road_speed=np.array([road_speed_at(driveline, float(s)) for s in speeds]),
        damping=damping,
        frequency=frequency,
        acceleration=rms,
        road_pressure=road,
        verdict=tuple(map(tuple, verdicts)),
    )


def _point(build: Build, engine_side: EngineSide, driveline: Driveline, table: SparkMap, speed: float, pressure: float, turbine: float) -> _Point | None:
    """Return a point of the road; nothing where cycles do not settle close by, so that no slopes can be taken."""
    point = loop_point(engine_side, table, speed, pressure)
    if point is None:
        return None
    road = road_speed_at(driveline, turbine)
    if turbine == speed:
        return _Point(state_space(driveline, road), point, road)
    coupling = converter_slopes(converter_of(build.vehicle), engine_speed=speed, turbine_speed=turbine)
    return _Point(converter_space(driveline, coupling, road), point, road)
