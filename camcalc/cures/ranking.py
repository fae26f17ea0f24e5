"""What else would cure it: a faster idle, the cam moved, a lower gear, more flywheel, another converter, each tried and ranked."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..advice.brakes import COMFORTABLE
from ..advice.idle import IDLE_REACH, idle_state, load_terms
from ..advice.reversion import RoadPoint, point_holding, road_point
from ..advice.spark_limits import NORMAL_RUNNING
from ..constants import mean_pressure_of_torque
from ..cycle.engine_tables import PRESSURES, SPARKS, SPEEDS, EngineTables, engine_tables, nodes_about
from ..cycle.load_axis import load_of
from ..cycle.models import engine_kind
from ..cycle.operating import EngineModel
from ..cycle.work_variation import work_spread
from ..drive.engine_loop import engine_side_of, loop_point
from ..drive.level_road import level_road
from ..drive.risk import surge_risk
from ..drive.surge import PEAK_TO_PEAK, surge_at, swing_marks
from ..errors import CamcalcError, InputError, NoSolutionError, did_you_mean
from ..tables.table import read_table
from ..vehicle.acceleration_weighting import GRADES
from ..vehicle.converter import converter_of, converter_point, converter_slopes, converter_space, engine_speed_through
from ..vehicle.coupling import Coupling
from ..vehicle.driveline import driveline_of
from ..vehicle.road_load import engine_torque_on_road, road_speed
from .changes import Change, ChangeKind, NoFigure, change_figures, changes_of
from .records import Cure, CureFigures, CureRanking, Trouble

if TYPE_CHECKING:
    from ..sheet import Build
    from ..tables import SparkTable

__all__ = ["COUNTS", "NOTICED", "cycle_speed_change", "rank_cures"]

Array = NDArray[np.float64]

# Where nothing swings above idle, troubles are looked at here: common practice, no source.
CRUISE = 1400.0 / 60.0
# The tabulated cycles reach so far around a point [rev/s, Pa, crank deg]: its own slopes, and the pressure that a spark off best torque needs.
AROUND_SPEED, BELOW, ABOVE, AROUND_SPARK = 101.0 / 60.0, 8e3, 18e3, 9.0
# Where shaking begins to be noticed, peak to peak [m/s2].
NOTICED = GRADES[1][0]
# A change of a trouble smaller than this share is not called one: twice the closeness of a solved torque, through the flat top of best torque; ESTIMATE.
COUNTS = 0.005


class _Tried(NamedTuple):
    """A change, what came of it, and what could not be found: the reasons as codes, and as the errors that gave them."""

    change: Change
    figures: CureFigures
    notes: tuple[NoFigure, ...]
    errors: tuple[CamcalcError, ...] = ()


def rank_cures(
    build: Build,
    *,
    engine_of: Callable[[Build], EngineModel] | None = None,
    table: SparkTable | None = None,
    gear: int | None = None,
    against: Trouble | str | None = None,
) -> CureRanking:
    """Try what else would cure a build's low-speed troubles, and rank it.

    Parameters
    ----------
    build : Build
    engine_of : callable
        From a build to its engine model; the resolved cycle when left out.
    table : SparkTable
        Final spark, for damping and shaking; the sheet's own when left out. Without any these stay blank.
    gear : int
        Counted from 1. When left out, the tallest gear to be kept smooth in which the charge swings just above idle, or the tallest of them.
    against : Trouble or str
        The trouble to rank by, or its code: ``"idle"``, ``"brakes"``, ``"cruise"`` or ``"shaking"``; the worst when left out.

    Returns
    -------
    CureRanking

    Raises
    ------
    InputError
        If there is no such gear, or no figure of that trouble.
    NoSolutionError
        If the engine can neither idle nor hold the car.

    Notes
    -----
    The road is level; its speed is the lowest at which the charge swings (IMEP varies more than 5 %) beyond the idle's reach of 300 rpm,
    or 1400 rpm where it does not. A gear lower and an open converter are taken at the same road speed.

    Each trouble is its figure over the level where it begins: IMEP variation at idle and on the road over the sheet's limit, 50 kPa over
    idle vacuum, peak-to-peak shaking over 0.15 m/s2. The worst is the greatest of them. Cures are ranked by the share that they remove of
    the worst, or of the one asked about, equal ones by the mean share of all; those without an answer come last.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> found = rank_cures(load_build("examples/quarry-road/build.toml"), engine_of=QuickEngine, against="cruise")
    >>> found.cures[0].name.code, found.cures[-1].notes[0].code
    ('cam_retarded', 'no_converter')
    """
    if engine_of is None:
        engine_of = engine_kind("resolved")
    model = engine_of(build)
    if gear is not None and gear not in range(1, len(build.vehicle.gear_ratios) + 1):
        raise InputError("gear", came=str(gear), expected=f"1 to {len(build.vehicle.gear_ratios)}", fix="count gears from 1 as in [vehicle] gear_ratios")
    gear, speed, swings = _place(model, gear)
    if table is None and build.spark_table is not None:
        table = read_table(build.spark_table)
    as_is = Change(ChangeKind.NONE, build, gear, change_figures())
    v = road_speed(build.vehicle, speed, build.vehicle.gear_ratios[gear - 1])
    base, *tried = _try_all(engine_of, [as_is, *changes_of(build, gear)], table, v)
    if math.isnan(base.figures.si.idle_variation) and math.isnan(base.figures.si.cruise_variation):
        raise NoSolutionError("; ".join(str(error.args[0]) for error in base.errors), fix="raise the idle speed, take overlap out, or take a lower gear")
    troubles = _troubles(build, base.figures.si)
    if model.teaching_only:  # its idle vacuum is no word on the brakes
        del troubles[Trouble.BRAKES]
    ranked_by = _asked(against, troubles)
    return CureRanking(
        model=model.name,
        transmission=build.vehicle.transmission,
        gear=gear,
        speed=speed,
        road_speed=v,
        swings=swings,
        has_table=table is not None,
        against=ranked_by,
        troubles={trouble.code: ratio for trouble, ratio in troubles.items()},
        none=_cure(base, base, ranked_by, troubles),
        cures=tuple(sorted((_cure(t, base, ranked_by, troubles) for t in tried), key=_order)),
    )


def _asked(against: Trouble | str | None, troubles: Mapping[Trouble, float]) -> Trouble:
    """Return the trouble to rank by: the one asked about, else the worst."""
    if against is None:
        return max(troubles, key=lambda trouble: troubles[trouble])
    found = {trouble.code: trouble for trouble in troubles}
    code = against.code if isinstance(against, Trouble) else against
    if code not in found:
        raise InputError("against", came=code, expected="a trouble that has a figure", fix=did_you_mean(code, found))
    return found[code]


def _order(cure: Cure) -> tuple[Any, ...]:
    """Return the place of a cure: the tried before those that cannot be, an answer before none, the greater share first."""

    def last_without(share: float) -> tuple[bool, float]:
        return math.isnan(share), 0.0 if math.isnan(share) else -round(share, 4)

    return not cure.tried, last_without(cure.si.removes), last_without(cure.si.mean_removed), cure.name.code


def cycle_speed_change(engine: EngineModel, speed: float, pressure: float, spark: float) -> float:
    """Return the r.m.s. change of crank speed [rev/s] from one cycle to the next, by uneven work alone, clutch out.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Of the crank [rev/s].
    pressure : float
        In the manifold [Pa], absolute.
    spark : float
        [crank deg before top dead centre].

    Returns
    -------
    float

    Notes
    -----
    Each firing's work is off by its own standard deviation, independent of the last; the crank keeps what it gets: sqrt(cylinders) deviation
    V / (J omega). Over many cycles governor, throttle and friction pull the speed back, which this leaves out.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> engine = QuickEngine(load_build("examples/quarry-road/build.toml"))
    >>> cycle_speed_change(engine, 850 / 60, 60e3, 30.0) > cycle_speed_change(engine, 1100 / 60, 60e3, 30.0)
    True
    """
    deviation = work_spread(engine, speed, pressure, spark).deviation * engine.geometry.swept
    omega = 2.0 * math.pi * speed
    return math.sqrt(engine.geometry.cylinders) * deviation / (engine.build.engine.si.rotating_inertia * omega) / (2.0 * math.pi)


def _place(engine: EngineModel, gear: int | None) -> tuple[int, float, bool]:
    """Return gear and crank speed [rev/s] at which the road is looked at, and whether the charge swings there."""
    vehicle, speed = engine.build.vehicle, engine.build.idle.si.speed + IDLE_REACH
    gears = sorted(vehicle.smooth_gears, reverse=True)
    for g in gears if gear is None else [gear]:
        try:
            if road_point(engine, speed, vehicle.gear_ratios[g - 1]).variation > NORMAL_RUNNING:
                return g, speed, True
        except NoSolutionError:
            continue
    return gears[0] if gear is None else gear, CRUISE, False


def _try_all(engine_of: Callable[[Build], EngineModel], changes: Sequence[Change], table: SparkTable | None, v: float) -> list[_Tried]:
    """Return every change with its figures at a road speed [m/s]; a fresh engine for each, so that like sheets give like numbers."""
    roads: dict[ChangeKind, RoadPoint | NoSolutionError] = {}
    for c in changes:
        if c.reason is None:
            try:
                roads[c.kind] = _road(engine_of(c.build), c, v)
            except NoSolutionError as error:
                roads[c.kind] = error
    tables: dict[ChangeKind, EngineTables] = {}
    if table is not None:
        # Changes that leave the cam alone share one set of cycles.
        own = changes[0].build.cam
        for group in ([c for c in changes if c.build.cam is own], *([c] for c in changes if c.build.cam is not own)):
            points = [p for c in group if isinstance(p := roads.get(c.kind), RoadPoint)]
            if points:
                tables.update(dict.fromkeys([c.kind for c in group], _tables_around(engine_of(group[0].build), points, table)))
    missing: dict[str, Any] = dict.fromkeys(CureFigures.measures())
    nothing = CureFigures(**missing)
    return [_Tried(c, nothing, (c.reason,)) if c.reason is not None else _tried(engine_of, c, roads[c.kind], v, table, tables.get(c.kind)) for c in changes]


def _road(engine: EngineModel, change: Change, v: float) -> RoadPoint:
    """Return the level road at a road speed [m/s], through a clutch or an open converter, on the spark of ``road_point`` with either."""
    build = engine.build
    ratio = build.vehicle.gear_ratios[change.gear - 1]
    turbine = v / road_speed(build.vehicle, 1.0, ratio)
    if change.coupling is Coupling.LOCKED:
        return road_point(engine, turbine, ratio)
    converter = converter_of(build.vehicle)
    speed = engine_speed_through(converter, turbine_speed=turbine, turbine_torque=engine_torque_on_road(build, turbine, ratio))
    torque = converter_point(converter, engine_speed=speed, turbine_speed=turbine).engine_torque
    net = mean_pressure_of_torque(torque, engine.geometry.displacement) + load_terms(engine, speed, drive=False, accessories=False).friction
    return point_holding(engine, speed, net)


def _tables_around(engine: EngineModel, points: Sequence[RoadPoint], table: SparkTable) -> EngineTables:
    """Tabulate the nodes of the whole grid that lie around some points: what is looked up there is the same, in a fraction of the time."""
    pressures = np.array([p.pressure for p in points])
    sparks = [_table_spark(engine, table, p) for p in points]
    return engine_tables(
        engine,
        nodes_about(SPEEDS, min(p.speed for p in points) - AROUND_SPEED, max(p.speed for p in points) + AROUND_SPEED),
        nodes_about(PRESSURES, pressures.min() - BELOW, pressures.max() + ABOVE),
        nodes_about(SPARKS, min(sparks) - AROUND_SPARK, max(sparks) + AROUND_SPARK),
        net=False,
    )


def _table_spark(engine: EngineModel, table: SparkTable, point: RoadPoint) -> float:
    load = load_of(engine, point.speed, point.pressure, point.spark, table.load_kind)
    return float(table.spark_at(point.speed, load))


def _tried(
    engine_of: Callable[[Build], EngineModel],
    change: Change,
    road: RoadPoint | NoSolutionError,
    v: float,
    table: SparkTable | None,
    engine_tables: EngineTables | None,
) -> _Tried:
    """Return the figures of a change."""
    engine = engine_of(change.build)
    found: dict[str, Any] = dict.fromkeys(CureFigures.measures(), math.nan)
    missing: list[tuple[NoFigure, CamcalcError]] = []
    try:
        found |= _idle(engine)
    except NoSolutionError as error:
        missing.append((NoFigure.CANNOT_IDLE, error))
    marks = {}
    if isinstance(road, NoSolutionError):
        missing.append((NoFigure.CANNOT_HOLD_THE_ROAD, road))
    else:
        fuel = engine.state(road.speed, road.pressure, road.spark).fuel * engine.geometry.cylinders * road.speed / 2.0
        found |= {"speed": road.speed, "cruise_variation": road.variation, "cruise_fuel": fuel / v}
        if table is not None and engine_tables is not None:
            try:
                found |= _shaken(change, road.speed, v, table, engine_tables)
            except CamcalcError as error:
                missing.append((NoFigure.SHAKING_UNKNOWN, error))
        marks = swing_marks(found["frequency"])
    return _Tried(change, CureFigures(**found, marks=marks), tuple(note for note, _ in missing), tuple(error for _, error in missing))


def _shaken(change: Change, speed: float, v: float, table: SparkTable, engine_tables: EngineTables) -> dict[str, float]:
    """Return what shakes and damps at a crank speed [rev/s] and road speed [m/s]."""
    if change.coupling is Coupling.CONVERTER:
        return _open_converter(change, speed, v, table, engine_tables)
    at = np.array([speed])
    surge = surge_risk(change.build, table, gear=change.gear, engine_tables=engine_tables, speeds=at, over_time=False)
    return {name: float(getattr(surge.si, name)[0]) for name in ("frequency", "damping", "acceleration")}


def _open_converter(change: Change, speed: float, v: float, table: SparkTable, engine_tables: EngineTables) -> dict[str, float]:
    """Return the same behind an open converter, whose slip may leave a swing that only some parts of the loop keep up: parts are not taken out.

    Raises
    ------
    NoSolutionError
        If nothing swings at all, or no cycle runs there.
    """
    build, limits = change.build, change.build.limits
    engine_side, driveline = engine_side_of(build, engine_tables), driveline_of(build, change.gear, locked=False)
    pressure, turbine = level_road(build, engine_side, driveline, table, speed, change.gear, Coupling.CONVERTER)
    point = None if math.isnan(pressure) else loop_point(engine_side, table, speed, pressure)
    if point is None:
        raise NoSolutionError("no cycle that settles holds the car on this table's spark")
    space = converter_space(driveline, converter_slopes(converter_of(build.vehicle), engine_speed=speed, turbine_speed=turbine), v)
    jitter = limits.load_jitter * point.blow_back * pressure
    surge = surge_at(space, engine_side, point, jitter=jitter, speed_jitter=2.0 * math.pi * limits.si.speed_jitter, slopes=False)
    return {"frequency": surge.frequency, "damping": surge.damping, "acceleration": surge.total}


def _idle(engine: EngineModel) -> dict[str, float]:
    """Return the idle's figures: in drive with a converter, where it is loaded, else in neutral."""
    idle = idle_state(engine, drive=engine.build.vehicle.transmission == "converter").si
    return {
        "idle_variation": idle.imep_variation,
        "idle_vacuum": idle.manifold_vacuum,
        "idle_speed_change": cycle_speed_change(engine, idle.speed, idle.manifold_pressure, idle.spark),
        "idle_fuel": idle.fuel_flow * engine.fuel.density,
    }


def _troubles(build: Build, figures: Any) -> dict[Trouble, float]:
    """Return each trouble over the level where it begins; an engine that cannot idle or hold the car has it without bounds."""
    limit = build.limits.stability
    idles, holds = math.isfinite(figures.idle_variation), math.isfinite(figures.cruise_variation)
    found = {
        Trouble.IDLE: figures.idle_variation / limit if idles else math.inf,
        Trouble.BRAKES: COMFORTABLE / figures.idle_vacuum if idles else math.inf,
        Trouble.CRUISE: figures.cruise_variation / limit if holds else math.inf,
    }
    if not math.isnan(figures.damping):
        found[Trouble.SHAKING] = PEAK_TO_PEAK * figures.acceleration / NOTICED if figures.damping > 0.0 else math.inf
    return found


def _removed(was: float, now: float) -> float:
    """Return the share of a trouble that went, all of it where it had no bounds; not-a-number where it has none before and after."""
    if math.isinf(was):
        return math.nan if math.isinf(now) else 1.0
    return (was - now) / was if was > 0.0 else 0.0


def _cure(tried: _Tried, base: _Tried, against: Trouble, counted: Collection[Trouble]) -> Cure:
    change, now, was = tried.change, tried.figures.si, base.figures.si
    before, after = _troubles(base.change.build, was), _troubles(change.build, now)
    shares = {} if change.reason is not None else {name: _removed(before[name], after[name]) for name in before if name in after and name in counted}
    return Cure(
        name=change.kind,
        change=change.figures,
        gear=change.gear,
        coupling=change.coupling,
        tried=change.reason is None,
        removes=shares.get(against, math.nan),
        mean_removed=float(np.mean(known)) if (known := [share for share in shares.values() if not math.isnan(share)]) else math.nan,
        makes_worse=tuple(name for name, share in shares.items() if share < -COUNTS),
        notes=tried.notes,
        figures=tried.figures,
        moved=CureFigures(**{name: getattr(now, name) - getattr(was, name) for name in CureFigures.measures()}),
    )
