"""Which gear not to use below which road speed, and why: every gear's level road boiled down."""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import numpy as np

from ..codes import Code
from ..marks import Mark, Marks, ends_of_search
from ..results import Measure, Record, measure
from ..vehicle.acceleration_weighting import SurgeGrade
from ..vehicle.coupling import Coupling
from .closed_loop import PARTS, LoopPart
from .driven import Driven, Drives, contributions, shake_on_level
from .idle_swing import IdleSwing
from .no_answer import NoRoadError, SkippedPoint
from .risk import surge_risk
from .road_surge import RoadSurge
from .run_setup import SHAKERS, Foot, Shaker
from .what_helps import HelpTried, what_helps

if TYPE_CHECKING:
    from ..cycle.engine_tables import EngineTables
    from ..sheet import Build
    from ..tables import SparkTable

__all__ = [
    "SPEEDS", "BesideLevel", "DriveAdvice", "GearOnLevel", "GearSurge", "LevelHelps", "SurgeReason", "WhichTable", "beside_level", "drive_advice",
]  # fmt: skip

# Crank speeds looked at [rev/s]: closest where long cams buck.
SPEEDS = np.array([900.0, 1000.0, 1100.0, 1200.0, 1300.0, 1400.0, 1500.0, 1600.0, 1800.0, 2000.0, 2300.0]) / 60.0
# A part that takes less damping than this is not named; ESTIMATE, well below what changes a verdict.
LEAST_TAKEN = 1e-3


class WhichTable(Code):
    """Which of the three tables a record is of."""

    YOURS = "your table"
    STARTING = "starting table"
    SHAPED = "shaped table"


class LevelHelps(Code):
    """What a level table does for a gear that surges on another one."""

    FIT = "fit at every speed on the level table"
    FIT_EARLIER = "fit from a lower speed on the level table"
    NO_BETTER = "no better on the level table"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SurgeReason(Record):
    """What shakes the car and what takes its damping at one point of the road.

    ``takes_most`` is the part of the loop that takes the most damping, nothing where none takes any worth naming; ``backlash_holds`` says that
    the swing runs through the backlash, which keeps it alive.
    """

    speed: Measure = measure("crank_rps", "rpm")
    damping: Measure = measure("", doc="over critical; below zero the swing is self-excited")
    takes_most: LoopPart | None
    taken: Measure = measure("", doc="damping that it takes")
    from_burn: Measure = measure("m/s**2", doc="cycles that vary, r.m.s.")
    from_jitter: Measure = measure("m/s**2", doc="swing of the signals through the table's slopes, r.m.s.")
    self_excited: bool
    backlash_holds: bool
    missed: Measure = measure("1/s", "1/minute", doc="missed cycles of all cylinders, driven over time")
    peaks: Measure = measure("m/s**2", doc="driven over time with a usual foot, from the lowest to the highest")
    adds_missed: Measure = measure("m/s**2", doc="missed cycles, driven over time, r.m.s.")
    adds_table: Measure = measure("m/s**2", doc="load noise through the table and all speed noise, driven over time, r.m.s.")
    adds_fuel: Measure = measure("m/s**2", doc="load noise through the fuel, driven over time, r.m.s.")
    adds_foot: Measure = measure("m/s**2", doc="a usual foot over a steady one, r.m.s.")
    pressure: Measure = measure("Pa", "kPa", doc="in the manifold at that point")
    spark: Measure = measure("crank_deg", doc="of the table there")
    steady: Measure = measure("m/s**2", doc="driven over time with a steady foot, r.m.s.")
    on_level: Measure = measure("m/s**2", doc="so driven on a level table of the same spark")
    helps: tuple[HelpTried, ...] = ()


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class GearSurge(Record):
    """A gear on the level road, boiled down; ``worst`` and ``reason`` are nothing where no speed has an answer."""

    gear: int
    coupling: Coupling
    slowest: Measure = measure("crank_rps", "rpm", doc="the engine holds the car from here on")
    bad_below: Measure = measure("crank_rps", "rpm", doc="the slowest looked at above all that are disturbing or worse; blank if none is")
    bad_below_road_speed: Measure = measure("m/s", "km/h")
    worst: SurgeGrade | None
    least_damping: Measure = measure("", doc="over critical; below zero the swing is self-excited")
    frequency: Measure = measure("Hz", doc="of that swing")
    slope_over_critical_along_speed: Measure = measure("", "percent", doc="most anywhere on the road")
    slope_over_critical_along_load: Measure = measure("", "percent", doc="most anywhere on the road")
    reason: SurgeReason | None = None
    loose_bad_below: Measure = measure("crank_rps", "rpm", doc="as bad_below, with a loose foot")
    skipped: tuple[SkippedPoint, ...] = ()
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)

    @property
    def bad(self) -> bool:
        """Whether there is a speed not to go below in this gear."""
        return math.isfinite(self.si.bad_below)

    @property
    def bad_with_a_loose_foot_alone(self) -> bool:
        """Whether there is one with a loose foot, and none with another."""
        return math.isfinite(self.si.loose_bad_below) and not self.bad


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class GearOnLevel(Record):
    """A gear that surges, on a level table."""

    gear: int
    coupling: Coupling
    helps: LevelHelps
    bad_below: Measure = measure("crank_rps", "rpm", doc="on the level table; blank where it is fit at every speed")
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class BesideLevel(Record):
    """What a level table does for the gears that surge: how much of it is the table's doing."""

    spark: Measure = measure("crank_deg", doc="of the level table, before top dead centre")
    gears: tuple[GearOnLevel, ...]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class DriveAdvice(Record):
    """What a spark table does to a car, gear by gear, and to the idle in neutral."""

    table: WhichTable
    gears: tuple[GearSurge, ...]
    idle: IdleSwing | None = None
    beside_level: BesideLevel | None = None

    @property
    def bad_gears(self) -> tuple[GearSurge, ...]:
        """The gears with a speed not to go below."""
        return tuple(g for g in self.gears if g.bad)


def drive_advice(
    build: Build,
    table: SparkTable,
    *,
    engine_tables: EngineTables,
    which: WhichTable = WhichTable.YOURS,
    idle: IdleSwing | None = None,
    only: Iterable[tuple[int, Coupling]] | None = None,
    reasons: bool = True,
) -> DriveAdvice:
    """Return which gears buck below which speeds, locked, and with a converter through it too.

    Parameters
    ----------
    build : Build
    table : SparkTable
        Taken as final spark.
    engine_tables : EngineTables
        Of the build's engine.
    which : WhichTable
        Which table this is.
    idle : IdleSwing
        What it does in neutral, if that was worked out.
    only : iterable of tuple of int and Coupling
        Gears and how each is coupled; all when left out.
    reasons : bool
        Whether what shakes the car and what would help is worked out.
    """
    couplings = tuple(Coupling) if build.vehicle.transmission == "converter" else (Coupling.LOCKED,)
    gears = range(1, len(build.vehicle.gear_ratios) + 1)
    asked = [(gear, coupling) for coupling in couplings for gear in gears] if only is None else list(only)
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        found = tuple(pool.map(lambda at: _gear(build, table, engine_tables, *at, reasons=reasons), asked))
    return DriveAdvice(table=which, gears=found, idle=idle)


def beside_level(advice: DriveAdvice, level: DriveAdvice, spark: float) -> BesideLevel | None:
    """Return what a level table of a spark [crank deg] does for the gears that surge; nothing if none does."""
    on_level = {(g.gear, g.coupling): g for g in level.gears}
    found = []
    for g in advice.bad_gears:
        other = on_level[g.gear, g.coupling]
        earlier = LevelHelps.FIT_EARLIER if other.si.bad_below < g.si.bad_below else LevelHelps.NO_BETTER
        helps = earlier if other.bad else LevelHelps.FIT
        marks = {"bad_below": other.mark("bad_below")}
        found.append(GearOnLevel(gear=g.gear, coupling=g.coupling, helps=helps, bad_below=other.si.bad_below, marks=marks))
    return BesideLevel(spark=spark, gears=tuple(found)) if found else None


def _gear(build: Build, table: SparkTable, engine_tables: EngineTables, gear: int, coupling: Coupling, *, reasons: bool) -> GearSurge:
    try:
        found = surge_risk(build, table, gear=gear, engine_tables=engine_tables, coupling=coupling, speeds=SPEEDS)
    except NoRoadError as error:
        nothing: dict[str, Any] = dict.fromkeys(GearSurge.measures())
        return GearSurge(gear=gear, coupling=coupling, worst=None, skipped=error.skipped, **nothing)
    si = found.si
    k = int(np.argmin(si.damping))
    bad = found.bad_below
    at = found.last_bad if math.isfinite(bad) else k
    over_speed, over_load = _over_critical(found, "speed"), _over_critical(found, "load")
    return GearSurge(
        gear=gear,
        coupling=coupling,
        slowest=si.speed[0],
        bad_below=bad,
        bad_below_road_speed=si.road_speed[np.flatnonzero(si.speed == bad)[0]] if math.isfinite(bad) else None,
        worst=found.worst,
        least_damping=si.damping[k],
        frequency=si.frequency[k],
        slope_over_critical_along_speed=over_speed[0],
        slope_over_critical_along_load=over_load[0],
        reason=_reason(found, at, Drives(build, table, gear, coupling, engine_tables)) if reasons else None,
        loose_bad_below=found.loose_bad_below,
        skipped=found.skipped,
        marks={
            "slowest": ends_of_search(float(si.speed[0]), least=float(SPEEDS[0])),
            "bad_below": found.bad_below_mark,
            "bad_below_road_speed": found.bad_below_mark,
            "loose_bad_below": found.loose_bad_below_mark,
            "least_damping": found.mark("damping", k),
            "frequency": found.mark("frequency", k),
            "slope_over_critical_along_speed": over_speed[1],
            "slope_over_critical_along_load": over_load[1],
        },
    )


def _over_critical(found: RoadSurge, along: str) -> tuple[float, Mark | None]:
    """Return the most that the table's slope is of the critical one anywhere on the road, and its mark: less where the search for that one ended."""
    slope, critical = getattr(found.si, f"slope_along_{along}"), getattr(found.si, f"critical_along_{along}")
    with np.errstate(divide="ignore", invalid="ignore"):
        over = np.where(np.abs(slope) > 0.0, np.abs(slope) / critical, 0.0)
    most = int(np.nanargmax(over))
    bound = found.mark(f"critical_along_{along}", most) is Mark.OR_MORE and over[most] > 0.0
    return float(over[most]), Mark.OR_LESS if bound else None


def _reason(found: RoadSurge, k: int, drives: Drives) -> SurgeReason:
    """Return what moves the car and what takes its damping at a point; what each shaker adds and what helps only where the point is bad."""
    si = found.si
    adds, speed = dict.fromkeys(SHAKERS, math.nan), float(si.speed[k])
    helps: tuple[HelpTried, ...] = ()
    on_level = math.nan
    steady, usual = (float(si.driven[found.feet.index(foot), k]) for foot in (Foot.STEADY, Foot.USUAL))
    if found.worse_verdict(k).bad and math.isfinite(steady):
        whole = Driven(steady, float(si.driven_peaks[0, k]), float(si.missed[k]), found.worse_verdict(k))
        adds = dict(zip(SHAKERS, map(float, contributions(drives, [speed], [whole])[:, 0]), strict=True))
        on_level = float(shake_on_level(drives, [speed], [float(si.spark[k])])[0])
        helps = what_helps(drives, speed)
    takes = {part: float(si.takes[j, k]) for j, part in enumerate(PARTS)}
    most = min(takes, key=lambda part: takes[part])
    over_time = found.verdict_over_time[k]
    return SurgeReason(
        speed=si.speed[k],
        damping=si.damping[k],
        takes_most=most if takes[most] < -LEAST_TAKEN else None,
        taken=-takes[most] if takes[most] < -LEAST_TAKEN else 0.0,
        from_burn=si.from_burn[k],
        from_jitter=si.from_jitter[k],
        self_excited=bool(si.damping[k] <= 0.0),
        backlash_holds=bool(si.lash_crossed[k] > 1.0 and over_time is not None and over_time.bad),
        missed=si.missed[k],
        peaks=si.driven_peaks[found.feet.index(Foot.USUAL), k],
        adds_missed=adds[Shaker.MISSED],
        adds_table=adds[Shaker.TABLE],
        adds_fuel=adds[Shaker.FUEL],
        adds_foot=math.sqrt(max(usual**2 - steady**2, 0.0)),
        pressure=si.manifold_pressure[k],
        spark=si.spark[k],
        steady=steady,
        on_level=on_level,
        helps=helps,
    )
