"""Each build of a comparison by itself: the same questions to all, on spark tables and converters that are as like as the sheets allow."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, NamedTuple

from ..advice.headlines import CRUISE
from ..cycle.operating import EngineModel
from ..engine.atmosphere import barometer_of
from ..marks import Mark
from ..tables import SparkTable, read_table
from ..tables.proposed import level_table
from .damping import Damped, DampingPoint, damping_at, damping_points, shaking_of
from .figures import Shared, WorstCell, cam_figures, curves_of, engine_figures, window_of, worst_cell
from .findings import ConverterFrom, TablesUsed
from .judging import Spot, spot

if TYPE_CHECKING:
    from ..advice.spark import SparkCeilings
    from ..sheet import Build

__all__ = ["Side", "Sides", "shared_of", "sides_of"]

AIR_SPEEDS = (1000.0 / 60.0, 2000.0 / 60.0, 3000.0 / 60.0)
# Part and nearly full load; the latter within so much of the lowest barometer where that is less.
AIR_LOADS, BELOW_BAROMETER = (60e3, 95e3), 0.97


class Side(NamedTuple):
    """What is found of one build: figures, marks and spots by row, its ceilings, what the plots draw, and where its damping is looked at."""

    model: EngineModel
    in_drive: Build
    converter: ConverterFrom | None
    figures: dict[str, float]
    marks: dict[str, Mark | None]
    spots: dict[str, Spot]
    ceilings: SparkCeilings
    worst: WorstCell | None
    curves: dict[str, Any]
    points: dict[str, DampingPoint]
    damped: dict[str, Damped]


class Sides(NamedTuple):
    """All builds, what they were asked at, and the spark tables that damping was computed on; ``level`` [crank deg] where that is a level one."""

    sides: tuple[Side, ...]
    shared: Shared
    tables: TablesUsed
    level: float | None


def shared_of(builds: Sequence[Build]) -> Shared:
    """Return what all builds are asked at; their order does not matter."""
    count = min(len(build.vehicle.gear_ratios) for build in builds)
    smooth = set.intersection(*(set(build.vehicle.smooth_gears) for build in builds))
    lowest = min(barometer_of(build.site) for build in builds)
    return Shared(
        equal_speed=max(build.idle.si.speed for build in builds),
        gears=tuple(range(1, count + 1)),
        sampled_gear=min(smooth & set(range(1, count + 1)), default=count),
        air_speeds=AIR_SPEEDS,
        air_loads=tuple(min(load, BELOW_BAROMETER * lowest) for load in AIR_LOADS),
        in_drive=any(build.vehicle.transmission == "converter" for build in builds),
    )


def sides_of(engine_of: Callable[..., EngineModel], builds: Sequence[Build], say: Callable[[str, float], None]) -> Sides:
    """Return every build's figures.

    Parameters
    ----------
    engine_of : callable
        Makes the engine of a build.
    builds : sequence of Build
    say : callable
        Called with what is worked on and the share done, 0 to 1.

    Returns
    -------
    Sides
    """
    shared, done, lock = shared_of(builds), [0.0] * len(builds), threading.Lock()

    def one(k: int) -> Side:
        def report(what: str, share: float) -> None:
            with lock:
                done[k] = share
                say(what, 0.9 * sum(done) / len(done))

        found = _side(engine_of, builds[k], [other for j, other in enumerate(builds) if j != k], shared, report)
        report("spark ceilings", 1.0)
        return found

    def damped(side: Side, table: SparkTable) -> Side:
        points = damping_points(side.model.build, table, shared.equal_speed)
        return _with_damping(side, points, {name: damping_at(side.model, point) for name, point in points.items()})

    with ThreadPoolExecutor(2) as pool:
        # Each build is an engine of its own: nothing is shared between the threads.
        sides = list(pool.map(one, range(len(builds))))
        used, tables, level = _tables(sides)
        say("surge damping", 0.9)
        whole = tuple(pool.map(damped, sides, tables))
    return Sides(whole, shared, used, level)


def _side(engine_of: Callable[..., EngineModel], build: Build, others: Sequence[Build], shared: Shared, say: Callable[[str, float], None]) -> Side:
    model = engine_of(build)
    in_drive, converter = _behind_converter(build, others)
    found = engine_figures(model, in_drive, shared, say)
    worst = worst_cell(found.ceilings)
    spots = {"window_width": spot(found=window_of(model)[1])}
    if worst is not None:
        spots["worst_ceiling"] = spot(speed=worst.speed, pressure=worst.pressure, found=worst.binds)
    figures = cam_figures(build) | found.figures
    return Side(model, in_drive, converter, figures, found.marks, spots, found.ceilings, worst, curves_of(model, found.ceilings), {}, {})


def _with_damping(side: Side, points: Mapping[str, DampingPoint], damped: Mapping[str, Damped]) -> Side:
    """Return a side with the figures of its damping points, and where they are."""
    figures, marks, spots = dict(side.figures), dict(side.marks), dict(side.spots)
    for name, found in damped.items():
        figures |= found.figures(name)
        marks[name] = found.mark
        for row in (name, shaking_of(name)):
            spots[row] = spot(gear=points[name].gear, speed=points[name].speed, found=found.found)
    return side._replace(figures=figures, marks=marks, spots=spots, points=dict(points), damped=dict(damped))


def _behind_converter(build: Build, others: Sequence[Build]) -> tuple[Build, ConverterFrom | None]:
    """Return the build behind a converter, and whose: its own, else the tightest of the other sheets', which loads the idle most; itself without any."""
    if build.vehicle.transmission == "converter":
        return build, ConverterFrom.OWN
    known = [(si.converter_stall_speed, si.converter_stall_torque) for si in (o.vehicle.si for o in others if o.vehicle.transmission == "converter")]
    if not known:
        return build, None
    stall, torque = min(known)
    vehicle = build.vehicle.replace(transmission="converter", converter_stall_speed=stall, converter_stall_torque=torque)
    return build.replace(vehicle=vehicle), ConverterFrom.OTHER_SHEET


def _tables(sides: Sequence[Side]) -> tuple[TablesUsed, list[SparkTable], float | None]:
    """Return the spark tables damping is computed on: each its own, else the one there is for all, else a level one [crank deg]."""
    paths = [side.model.build.spark_table for side in sides]
    named = {path for path in paths if path is not None}
    if len(named) == 1:
        table = read_table(named.pop())
        return (TablesUsed.SAME if None not in paths else TablesUsed.ONE_FOR_ALL), [table] * len(sides), None
    if None not in paths:
        return TablesUsed.EACH_OWN, [read_table(path) for path in paths if path is not None], None
    ceilings = [side.worst.ceiling for side in sides if side.worst is not None]
    used = TablesUsed.LEVEL_AT_CEILING if ceilings else TablesUsed.LEVEL_AT_BEST
    spark = min(ceilings) if ceilings else min(side.model.best_spark(*CRUISE) for side in sides)
    return used, [level_table(spark)] * len(sides), spark
