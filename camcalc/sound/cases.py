"""A build heard and felt: its idle with the new cam and the one it replaces, what moves it, and drives near the limit, each case computed by itself."""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from ..codes import Code
from ..cycle.models import engine_kind
from ..drive.drive_run import Driver
from ..drive.engine_loop import engine_side_of, surge_tables, table_spark
from ..drive.gear_advice import SPEEDS
from ..drive.no_answer import NoRoadError, SkippedPoint
from ..drive.risk import risks_in, surge_risk
from ..drive.run_setup import FEET, SHAKERS, Foot, Shaker
from ..drive.shaped_for_build import shape_for_build
from ..errors import InputError, NoSolutionError
from ..results import Measure, Record, measure
from ..tables.table import EARLIEST, LATEST
from ..unit_system import UnitSystem
from ..units import quantity
from ..vehicle.driveline import driveline_of
from .hearing import HeardDrive, HeardIdle, hear_drive, hear_idle
from .levels import PEAK, levelled
from .sounds import Sound

if TYPE_CHECKING:
    from ..cycle.engine_tables import EngineTables
    from ..cycle.operating import EngineModel
    from ..drive.road_surge import RoadSurge
    from ..sheet import Build
    from ..tables import SparkTable
    from ..units import Quantity

__all__ = ["POSITIONS", "DriveCase", "DrivenOn", "HeardBuild", "IdleCase", "Shares", "Slider", "hear_build"]

# How many positions each slider may have, and how far one is from the next: lobe separation [crank deg of each lobe, so cam deg], advance [crank deg],
# idle speed [rev/s], spark [crank deg]. What the trade grinds, turns and sets by; common practice, no source.
POSITIONS = (1, 3, 5)
SEPARATION_STEP, ADVANCE_STEP, SPEED_STEP, SPARK_STEP = 2.0, 4.0, 100.0 / 60.0, 4.0
# All sounds of a page together last no longer [s], and none longer than the first: 16 bits at 8000 a second, as text in the page, stay under 2.4 MB.
ALL_LAST, LONGEST = 112.0, 6.0
# No run over time starts slower [rev/s], as ``simulate_drive`` has it.
SLOWEST_RUN = 500.0 / 60.0
# Where fuel is cut for more of a drive the car drives the engine, and nothing of the table is felt. ESTIMATE.
MOST_CUT = 0.1
# Shares of the time that the parts take, for the progress shown alone. ESTIMATE.
PARTS = (("cycles", 0.2), ("idles", 0.3), ("shaped table", 0.2), ("gears", 0.25), ("drives", 0.05))


class Slider(Code):
    """What a case of an idle has changed, one thing at a time."""

    NONE = "your sheet as it is"
    REPLACED_CAM = "the cam that is replaced"
    LOBE_SEPARATION = "lobe separation"
    ADVANCE = "cam advance"
    IDLE_SPEED = "speed of the idle"
    IDLE_SPARK = "spark of the idle"


class DrivenOn(Code):
    """Which table a drive is on."""

    YOURS = "your table, its slopes as steep as the share says"
    SHAPED = "the shaped table"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class IdleCase(Record):
    """One case of an idle; no sound where the engine does not idle, with the lowest speed found at which it does, nor where no run is so slow."""

    slider: Slider
    lobe_separation: Measure = measure("crank_deg", "cam_deg")
    advance: Measure = measure("crank_deg")
    speed: Measure = measure("crank_rps", "rpm")
    spark_change: Measure = measure("crank_deg", doc="more than the idle spark")
    lowest: Measure = measure("crank_rps", "rpm", doc="blank where it idles, or nowhere")
    too_slow: bool = False
    heard: HeardIdle | None


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class DriveCase(Record):
    """One drive; no sound where the engine does not hold the road, be it that its fuel is cut."""

    on: DrivenOn
    driver: Driver
    steepness: Measure = measure("", "percent", doc="of the table's own slopes, about its spark there; 0 is level")
    heard: HeardDrive | None


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Shares(Record):
    """What each thing that shakes a car adds at one point of a gear, as root of the mean square that goes with it; zero where none goes.

    They do not add up to the whole: what one shakes another damps or feeds.
    """

    speed: Measure = measure("crank_rps", "rpm")
    steady: Measure = measure("m/s**2", doc="all of it with a steady foot, r.m.s.")
    usual: Measure = measure("m/s**2", doc="with a usual foot")
    burn: Measure = measure("m/s**2", doc="burns that vary")
    missed: Measure = measure("m/s**2", doc="missed cycles")
    table: Measure = measure("m/s**2", doc="load noise through the table and all speed noise")
    fuel: Measure = measure("m/s**2", doc="load noise through the fuel")
    foot: Measure = measure("m/s**2", doc="a usual foot over a steady one")
    on_level: Measure = measure("m/s**2", doc="left on a level table of the same spark, steady foot")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class HeardBuild(Record):
    """A build heard and felt; every sound has one r.m.s., ``gain`` over full scale. ``converter``: gears are judged with it locked."""

    name: str
    cam: str
    positions: int
    gear: int
    idles: tuple[IdleCase, ...]
    drives: tuple[DriveCase, ...]
    shares: Shares | None
    gears: tuple[RoadSurge, ...]
    no_answer: tuple[SkippedPoint, ...] = ()
    gain: float
    peak: float
    duration: Measure = measure("s", doc="of each sound")
    converter: bool = False
    units: UnitSystem = UnitSystem.METRIC
    road_speed_unit: str = "km/h"

    @property
    def sounds(self) -> tuple[Sound, ...]:
        """The sounds of all cases that have one, idles first."""
        return tuple(one.sound for one in heard_in(self.idles, self.drives))

    def idle(self, slider: Slider) -> IdleCase | None:
        """Return the first case of a slider, with a sound or without; nothing where there is none."""
        return next((case for case in self.idles if case.slider is slider), None)


def heard_in(idles: tuple[IdleCase, ...], drives: tuple[DriveCase, ...]) -> list[HeardIdle | HeardDrive]:
    """Return what is heard of all cases, idles first; those without a sound are left out."""
    return [*(case.heard for case in idles if case.heard is not None), *(case.heard for case in drives if case.heard is not None)]


class _Idle(NamedTuple):
    """An idle to hear: what is changed, the build, speed [rev/s] and spark [crank deg] then."""

    slider: Slider
    build: Build
    speed: float
    spark_change: float = 0.0


def hear_build(
    build: Build,
    table: SparkTable,
    *,
    gear: int | None = None,
    positions: int = 3,
    shaped: bool = True,
    seed: int = 1,
    pipe_length: Quantity | str = "3 m",
    engine_of: Callable[[Build], EngineModel] | None = None,
    progress: Callable[[str, float], None] = lambda what, share: None,
) -> HeardBuild:
    """Return a build's idles and drives as they are heard and felt, with what each gear of the car does on the table.

    Parameters
    ----------
    build : Build
    table : SparkTable
        Taken as final spark.
    gear : int
        In which to drive, counted from 1; second, where there is one, when left out.
    positions : int
        Of each slider: 1, 3 or 5, the sheet's own in the middle.
    shaped : bool
        Whether to drive on the shaped table too.
    seed : int
        The same number gives the same bytes; all cases have the same draws.
    pipe_length : quantity [length]
        From valve to open end: ESTIMATE.
    engine_of : callable
        Makes the engine of a build; crank-resolved cycles when left out.
    progress : callable
        Called with what is worked on and the share done, 0 to 1.

    Raises
    ------
    InputError
        If there is no such gear or number of positions, or the table does not cover the road.

    Notes
    -----
    A slider off the sheet's position has all others on it: of combinations none is computed. Gears are judged at the speeds of the brief.
    """
    if positions not in POSITIONS:
        raise InputError("positions", came=str(positions), expected="1, 3 or 5")
    gear = gear or min(2, len(build.vehicle.gear_ratios))
    driveline_of(build, gear)
    making = engine_of or engine_kind("resolved")
    made = making(build)
    begun = _Progress(progress)
    tables = surge_tables(made, begun.part(0))
    asked = _idles_of(build, positions)
    drives_count = 2 * (positions + shaped)
    length = quantity(min(LONGEST, math.floor(2.0 * ALL_LAST / (len(asked) + drives_count)) / 2.0), "s")
    given = {"duration": length, "seed": seed, "pipe_length": pipe_length}
    idles = _heard_idles(asked, build, made, making, given, begun.part(1))
    begun.part(2)(0.0)
    new = shape_for_build(build, table, engine=made).shaped.table if shaped else None
    gears = _gears(build, table, gear, tables, begun.part(3))
    roads = tuple(found for found in gears if not isinstance(found, NoRoadError))
    driven = next((road for road in roads if road.gear == gear), None)
    drives: tuple[DriveCase, ...] = ()
    if driven is not None:
        drives = _heard_drives(build, table, new, driven, positions, tables, given, begun.part(4))
    sounds = [one.sound.si.pressure for one in heard_in(idles, drives)]
    return HeardBuild(
        name=build.name,
        cam=build.cam.name,
        positions=positions,
        gear=gear,
        idles=idles,
        drives=drives,
        # What shakes a car is told of a drive that is one: not where its fuel is cut.
        shares=_shares(driven) if any(case.heard is not None and case.driver is Driver.SPEED_HOLD for case in drives) else None,
        gears=roads,
        no_answer=tuple(point for found in gears if isinstance(found, NoRoadError) for point in found.skipped),
        gain=levelled(sounds).gain,
        peak=PEAK,
        duration=length,
        converter=build.vehicle.transmission == "converter",
        units=build.units,
        road_speed_unit=build.vehicle.road_speed_unit,
    )


class _Progress:
    """Tells the share done of all parts from that of one."""

    def __init__(self, tell: Callable[[str, float], None]) -> None:
        self.tell = tell

    def part(self, number: int) -> Callable[[float], None]:
        """Return what is called with the share done of a part."""
        name, whole = PARTS[number]
        before = sum(share for _, share in PARTS[:number])
        self.tell(name, before)
        return lambda share: self.tell(name, before + whole * share)


def _steps(positions: int, step: float) -> Iterable[float]:
    """Return how far the positions of a slider are from its middle, without the middle itself."""
    return [k * step for k in range(-(positions // 2), positions // 2 + 1) if k]


def _idles_of(build: Build, positions: int) -> list[_Idle]:
    """Return the idles to hear; the sheet's own first."""
    speed = build.idle.si.speed
    found = [_Idle(Slider.NONE, build, speed)]
    if build.replaced_cam is not None:
        old = build.with_replaced_cam()
        found.append(_Idle(Slider.REPLACED_CAM, old, old.idle.si.speed))
    cam = build.cam
    for turn in _steps(positions, SEPARATION_STEP):
        spread = cam.replace(intake=cam.intake.turned(turn), exhaust=cam.exhaust.turned(-turn))
        found.append(_Idle(Slider.LOBE_SEPARATION, build.replace(cam=spread), speed))
    turned = [cam.advanced(quantity(turn, "crank_deg")) for turn in _steps(positions, ADVANCE_STEP)]
    found += [_Idle(Slider.ADVANCE, build.replace(cam=one), speed) for one in turned]
    bounds = build.idle.measures()["speed"].bounds
    speeds = [speed + more for more in _steps(positions, SPEED_STEP) if max(bounds.low, SLOWEST_RUN) <= speed + more <= bounds.high]
    found += [_Idle(Slider.IDLE_SPEED, build, one) for one in speeds]
    return found + [_Idle(Slider.IDLE_SPARK, build, speed, more) for more in _steps(positions, SPARK_STEP)]


def _heard_idles(
    asked: list[_Idle],
    build: Build,
    engine: EngineModel,
    making: Callable[[Build], EngineModel],
    given: dict[str, Any],
    progress: Callable[[float], None],
) -> tuple[IdleCase, ...]:
    """Return the cases of the idles asked for, side by side."""
    done = []

    def heard(one: _Idle) -> IdleCase:
        own = engine if one.build is build else making(one.build)
        change = quantity(one.spark_change, "crank_deg")
        found, lowest, too_slow = None, None, one.speed < SLOWEST_RUN
        try:
            if too_slow:
                raise NoSolutionError("no run over time is so slow")
            found = hear_idle(one.build, speed=quantity(one.speed, "crank_rps"), spark_change=change, engine=own, **given)
        except NoSolutionError as error:
            lowest = None if error.reachable is None else error.reachable / 60.0
        done.append(one)
        progress(len(done) / len(asked))
        cam = one.build.cam
        return IdleCase(
            slider=one.slider,
            lobe_separation=cam.lobe_separation,
            advance=cam.advance,
            speed=one.speed,
            spark_change=change,
            lowest=lowest,
            too_slow=too_slow,
            heard=found,
        )

    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        return tuple(pool.map(heard, asked))


def _gears(
    build: Build, table: SparkTable, gear: int, tables: EngineTables, progress: Callable[[float], None]
) -> tuple[RoadSurge | NoRoadError, ...]:
    """Return every gear on the table; what shakes the car is taken apart in the one to be driven."""
    every = range(1, len(build.vehicle.gear_ratios) + 1)
    shares = dict.fromkeys(every, 0.0)

    def judged(one: int) -> RoadSurge:
        def on(share: float) -> None:
            shares[one] = share
            progress(sum(shares.values()) / len(shares))

        return surge_risk(build, table, gear=one, engine_tables=tables, speeds=SPEEDS, sources=one == gear, progress=on)

    return risks_in(every, judged)


def _near_the_limit(road: RoadSurge) -> int:
    """Return which point of a gear to drive at: the fastest bad one, the slowest where none is."""
    return max(road.last_bad, 0)


def _shares(road: RoadSurge | None) -> Shares | None:
    """Return what each thing adds near the limit of a gear; nothing where it was not worked out."""
    if road is None:
        return None
    k, si = _near_the_limit(road), road.si
    steady, usual = (float(si.driven[FEET.index(foot), k]) for foot in (Foot.STEADY, Foot.USUAL))
    adds = {shaker: float(si.adds[j, k]) for j, shaker in enumerate(SHAKERS)}
    return Shares(
        speed=float(si.speed[k]),
        steady=steady,
        usual=usual,
        burn=adds[Shaker.BURN],
        missed=adds[Shaker.MISSED],
        table=adds[Shaker.TABLE],
        fuel=adds[Shaker.FUEL],
        foot=math.sqrt(max(usual**2 - steady**2, 0.0)),
        on_level=float(si.on_level[k]),
    )


def _heard_drives(
    build: Build,
    table: SparkTable,
    shaped: SparkTable | None,
    road: RoadSurge,
    positions: int,
    tables: EngineTables,
    given: dict[str, Any],
    progress: Callable[[float], None],
) -> tuple[DriveCase, ...]:
    """Return the drives near the limit of a gear: at a held speed and at a tip-in, on every table."""
    k = _near_the_limit(road)
    speed, pressure = float(road.si.speed[k]), float(road.si.manifold_pressure[k])
    level = table_spark(engine_side_of(build, tables), table, speed, pressure)
    on: list[tuple[DrivenOn, float, SparkTable]] = []
    for share in np.linspace(0.0, 2.0, positions) if positions > 1 else [1.0]:
        cells = np.clip(level + float(share) * (np.asarray(table.si.cells) - level), LATEST, EARLIEST)
        on.append((DrivenOn.YOURS, float(share), table if share == 1.0 else table.with_spark(cells)))
    if shaped is not None:
        on.append((DrivenOn.SHAPED, 1.0, shaped))
    found = []
    for driver in (Driver.SPEED_HOLD, Driver.TIP_IN):
        for which, steepness, driven in on:
            try:
                heard = hear_drive(build, driven, gear=road.gear, speed=quantity(speed, "crank_rps"), driver=driver, engine_tables=tables, **given)
            except NoSolutionError:
                heard = None
            if heard is not None and heard.si.cut > MOST_CUT:
                heard = None
            found.append(DriveCase(on=which, driver=driver, steepness=steepness, heard=heard))
            progress(len(found) / (2 * len(on)))
    return tuple(found)
