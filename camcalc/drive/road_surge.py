"""What surge was found in a gear: along the level road, and over speed and load."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping

from ..array_record import ArrayRecord
from ..codes import AppliesTo
from ..marks import Mark, Marks
from ..results import Measure, measure
from ..vehicle.acceleration_weighting import SurgeGrade
from ..vehicle.coupling import Coupling
from .closed_loop import PARTS, LoopPart
from .no_answer import SkippedPoint
from .run_setup import FEET, SHAKERS, Foot, Shaker

__all__ = ["RoadSurge", "SurgeMap"]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class RoadSurge(ArrayRecord):
    """A gear on the level road, speed by speed: what shakes the car, what damps it, what slopes it stands.

    Accelerations are r.m.s. within 0.5 to 16 Hz along the road; verdicts are ours, by peak to peak. ``takes`` has a row for
    each of ``parts``: how much damping it adds, negative where it takes some. Slope limits hold either way. ``verdict_at_half`` and
    ``verdict_at_double`` are the verdicts at half and double the load swing; ``verdict_over_time`` is that of the car driven over time with a steady
    foot, backlash and all, ``verdict_driven`` that with each of ``feet``, nothing where that was not asked for. Where the swing is self-excited
    accelerations are infinite (zero where nothing moves it). ``skipped`` are the speeds without an answer.
    """

    AXES = ("speed",)

    gear: int
    coupling: Coupling
    speed: Measure = measure("crank_rps", "rpm")
    road_speed: Measure = measure("m/s", "km/h")
    manifold_pressure: Measure = measure("Pa", "kPa")
    spark: Measure = measure("crank_deg", doc="of the table")
    frequency: Measure = measure("Hz", doc="of the least damped mode; zero, and damping one, where nothing swings")
    damping: Measure = measure("", doc="over critical; below zero the swing is self-excited")
    takes: Measure = measure("", doc="damping that each part adds")
    from_jitter: Measure = measure("m/s**2", doc="load swing and speed swing of the signals, through the table's slopes")
    from_burn: Measure = measure("m/s**2", doc="cycles that vary")
    acceleration: Measure = measure("m/s**2", doc="both")
    weighted: Measure = measure("m/s**2", doc="both, weighted after ISO 2631-1 (Wd)")
    lash_crossed: Measure = measure("", doc="swing of the shafts' torque over its mean; near one and above it runs through the backlash")
    over_time: Measure = measure("m/s**2", doc="driven over time with backlash, the speed held with a steady foot, after a nudge")
    driven: Measure = measure("m/s**2", doc="so driven, a row for each of ``feet``")
    driven_peaks: Measure = measure("m/s**2", doc="from the lowest to the highest, a row for each of ``feet``")
    missed: Measure = measure("1/s", "1/minute", doc="missed cycles of all cylinders, with a steady foot")
    adds: Measure = measure("m/s**2", doc="what each of ``shakers`` adds, as root of the mean square that goes with it; blank if not asked for")
    on_level: Measure = measure("m/s**2", doc="driven so on a level table of the same spark, with a steady foot; blank if not asked for")
    slope_along_speed: Measure = measure("crank_deg/crank_rps", "crank_deg/krpm", doc="of the table")
    slope_along_load: Measure = measure("crank_deg/Pa", "crank_deg/kPa", doc="of the table")
    critical_along_speed: Measure = measure("crank_deg/crank_rps", "crank_deg/krpm", doc="at which damping is gone; the end of the search stands for more")
    critical_along_load: Measure = measure("crank_deg/Pa", "crank_deg/kPa")
    limit_along_speed: Measure = measure("crank_deg/crank_rps", "crank_deg/krpm", doc="half the critical")
    limit_along_load: Measure = measure("crank_deg/Pa", "crank_deg/kPa", doc="half the critical, and no more than a trace of acceleration from jitter")
    verdict: tuple[SurgeGrade, ...]
    verdict_at_half: tuple[SurgeGrade, ...]
    verdict_at_double: tuple[SurgeGrade, ...]
    verdict_over_time: tuple[SurgeGrade | None, ...]
    verdict_driven: tuple[tuple[SurgeGrade | None, ...], ...]
    swing_measured: bool = False
    skipped: tuple[SkippedPoint, ...] = ()
    parts: tuple[LoopPart, ...] = PARTS
    feet: tuple[Foot, ...] = FEET
    shakers: tuple[Shaker, ...] = SHAKERS
    applies_to: AppliesTo = AppliesTo.FINAL_SPARK
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)

    @property
    def bad_below(self) -> float:
        """The slowest crank speed [rev/s] looked at above all those where a verdict, linear or over time, is "disturbing" or worse.

        NaN if none is; the fastest looked at if even that is bad.
        """
        return self._speed_above(self.last_bad)

    @property
    def bad_below_mark(self) -> Mark | None:
        """What that speed is besides: none found, or the fastest looked at, which is bad itself."""
        return self._mark_above(self.last_bad)

    def worse_verdict(self, k: int) -> SurgeGrade:
        """Return the worst of the linear verdict and those of a steady and a usual foot at a point, from 0."""
        return SurgeGrade.worst(self.verdict[k], *(self.foot_verdict(foot, k) for foot in (Foot.STEADY, Foot.USUAL)))

    def foot_verdict(self, foot: Foot, k: int) -> SurgeGrade:
        """Return the verdict with a foot at a point, from 0; the linear one where it was not driven."""
        return self.verdict_driven[self.feet.index(foot)][k] or self.verdict[k]

    @property
    def loose_bad_below(self) -> float:
        """As ``bad_below``, with a loose foot [rev/s]."""
        return self._speed_above(self.loose_last_bad)

    @property
    def loose_bad_below_mark(self) -> Mark | None:
        """What that speed is besides, as ``bad_below_mark``."""
        return self._mark_above(self.loose_last_bad)

    @property
    def loose_last_bad(self) -> int:
        """As ``last_bad``, with a loose foot."""
        return max((k for k in range(len(self.verdict)) if self.worse_verdict(k).bad or self.foot_verdict(Foot.LOOSE, k).bad), default=-1)

    def _speed_above(self, bad: int) -> float:
        """Return the speed [rev/s] looked at above the fastest bad one; that one where nothing above it was looked at, NaN where none is bad."""
        return math.nan if bad < 0 else float(self.si.speed[min(bad + 1, len(self.verdict) - 1)])

    def _mark_above(self, bad: int) -> Mark | None:
        if bad < 0:
            return Mark.NONE_FOUND
        return Mark.OR_MORE if bad == len(self.verdict) - 1 else None

    @property
    def worst(self) -> SurgeGrade:
        """The worst verdict of all points, linear or over time."""
        return SurgeGrade.worst(*(self.worse_verdict(k) for k in range(len(self.verdict))))

    @property
    def last_bad(self) -> int:
        """Which point, from 0, is the fastest bad one; -1 if none is."""
        return max((k for k in range(len(self.verdict)) if self.worse_verdict(k).bad), default=-1)


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
    verdict: tuple[tuple[SurgeGrade | None, ...], ...]
    applies_to: AppliesTo = AppliesTo.FINAL_SPARK
