"""Which gear not to use below which road speed, and why: every gear's level road boiled down."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from ..errors import NoSolutionError
from ..marks import Mark, Marks, ends_of_search, marked
from ..results import Measure, Record, measure
from .idle_swing import IdleSwing
from .risk import BAD, VERDICTS, RoadSurge, surge_risk
from .surge import PARTS

if TYPE_CHECKING:
    from ..cycle.engine_tables import EngineTables
    from ..sheet import Build
    from ..tables import SparkTable

__all__ = ["SPEEDS", "DriveAdvice", "GearSurge", "beside_level", "drive_advice"]

# Crank speeds looked at [rev/s]: closest where long cams buck.
SPEEDS = np.array([900.0, 1000.0, 1100.0, 1200.0, 1300.0, 1400.0, 1500.0, 1600.0, 1800.0, 2000.0, 2300.0]) / 60.0


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class GearSurge(Record):
    """A gear on the level road, boiled down."""

    gear: int
    coupling: str
    slowest: Measure = measure("crank_rps", "rpm", doc="the engine holds the car from here on")
    bad_below: Measure = measure("crank_rps", "rpm", doc="the slowest looked at above all that are disturbing or worse; blank if none is")
    bad_below_road_speed: Measure = measure("m/s", "km/h")
    worst: str
    least_damping: Measure = measure("", doc="over critical; below zero it swings by itself")
    frequency: Measure = measure("Hz", doc="of that swing")
    slope_over_critical_along_speed: Measure = measure("", "percent", doc="most anywhere on the road")
    slope_over_critical_along_load: Measure = measure("", "percent", doc="most anywhere on the road")
    why: str
    note: str = ""
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)

    @property
    def bad_below_text(self) -> str:
        """The speed not to go below, with its mark, e.g. "1500 rpm"."""
        return marked(f"{self.si.bad_below * 60:.0f} rpm", self.mark("bad_below"))


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class DriveAdvice(Record):
    """What a spark table does to a car, gear by gear, and to the idle in neutral."""

    in_data: ClassVar[tuple[str, ...]] = ("advice",)

    table: str
    gears: tuple[GearSurge, ...]
    idle: IdleSwing | None = None
    remark: str = ""

    @property
    def advice(self) -> tuple[str, ...]:
        """Which gear not to use below which speed, a line each."""
        bad = [g for g in self.gears if math.isfinite(g.si.bad_below)]
        return tuple(f"gear {g.gear} ({g.coupling}): not below {g.bad_below_text}; {g.why}" for g in bad)


def drive_advice(build: Build, table: SparkTable, *, engine_tables: EngineTables, name: str = "the spark table", idle: IdleSwing | None = None) -> DriveAdvice:
    """Return which gears buck below which speeds, locked, and with a converter through it too.

    Parameters
    ----------
    build : Build
    table : SparkTable
        Taken as FINAL spark.
    engine_tables : EngineTables
        Of the build's engine.
    name : str
        What the table is called.
    idle : IdleSwing
        What it does in neutral, if that was worked out.
    """
    couplings = ("locked", "converter") if build.vehicle.transmission == "converter" else ("locked",)
    gears = range(1, len(build.vehicle.gear_ratios) + 1)
    found = tuple(_gear(build, table, engine_tables, gear, coupling) for coupling in couplings for gear in gears)
    return DriveAdvice(table=name, gears=found, idle=idle)


def beside_level(advice: DriveAdvice, level: DriveAdvice, spark: float) -> str:
    """Word what a level table of a spark [crank deg] does for the gears that surge: how much is the table's doing; empty if none surges."""
    on_level = {(g.gear, g.coupling): g for g in level.gears}
    better, alike = [], []
    for g in advice.gears:
        if not math.isfinite(g.si.bad_below):
            continue
        below = on_level[g.gear, g.coupling].si.bad_below
        fit = f"fit from {on_level[g.gear, g.coupling].bad_below_text}" if math.isfinite(below) else "fit wherever it holds the car"
        if math.isnan(below) or below < g.si.bad_below:
            better.append(f"gear {g.gear} ({g.coupling}) is {fit}")
        else:
            alike.append(f"gear {g.gear} ({g.coupling})")
    words = []
    if better:
        words.append(
            f"on a level table of {spark:.0f} degrees {', '.join(better)}: so much is not the table's doing; the rest its climb takes, "
            "and a gentler climb costs torque beyond the zone"
        )
    if alike:
        words.append(f"in {', '.join(alike)} a level table of {spark:.0f} degrees does no better: the table is not at fault")
    return "; ".join(words)


def _gear(build: Build, table: SparkTable, engine_tables: EngineTables, gear: int, coupling: str) -> GearSurge:
    try:
        found = surge_risk(build, table, gear=gear, engine_tables=engine_tables, coupling=coupling, speeds=SPEEDS)
    except NoSolutionError as error:
        nothing: dict[str, Any] = dict.fromkeys(GearSurge.measures())
        return GearSurge(gear=gear, coupling=coupling, worst="", why="", note=str(error.args[0]), **nothing)
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
        worst=max((found.worse_verdict(j) for j in range(len(found.verdict))), key=VERDICTS.index),
        least_damping=si.damping[k],
        frequency=si.frequency[k],
        slope_over_critical_along_speed=over_speed[0],
        slope_over_critical_along_load=over_load[0],
        why=_why(found, at),
        note="; ".join(found.without),
        marks={
            "slowest": ends_of_search(float(si.speed[0]), least=float(SPEEDS[0])),
            "bad_below": found.bad_below_mark,
            "bad_below_road_speed": found.bad_below_mark,
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


def _why(found: RoadSurge, k: int) -> str:
    """Word what moves the car and what takes its damping at a point."""
    si = found.si
    takes = {part: float(si.takes[j, k]) for j, part in enumerate(PARTS)}
    most = min(takes, key=lambda part: takes[part])
    words = [f"damping {si.damping[k]:.3f}" + (f", {most} takes {-takes[most]:.3f}" if takes[most] < -1e-3 else "")]
    if si.damping[k] <= 0.0:
        words.append("it swings by itself")
    else:
        words.append(f"burns that vary shake it with {si.from_burn[k]:.2f} m/s2, signals through the table with {si.from_jitter[k]:.2f}")
    if si.lash_crossed[k] > 1.0 and found.verdict_over_time[k] in BAD:
        words.append("the swing runs through the lash, which keeps it alive")
    return "; ".join(words)
