"""The lowest speed at which each gear can be used: where running gets rough, where the gear surges, where the engine no longer holds the car."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from ..codes import Code
from ..marks import Mark, Marks
from ..results import Measure, Record, measure
from ..vehicle.coupling import Coupling
from ..vehicle.road_load import road_speed

if TYPE_CHECKING:
    from ..advice.reversion import GearReversion
    from ..sheet import Build
    from .gear_advice import DriveAdvice, GearSurge

__all__ = ["GearUse", "Trouble", "usable_gears"]


class Trouble(Code):
    """What a gear does below its lowest usable speed."""

    SURGES = "surges"
    ROUGH = "rough"
    STALLS = "stalls"
    NOT_TRIED = "not tried"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class GearUse(Record):
    """The lowest speed a gear can be used at, and what is wrong below it."""

    gear: int
    coupling: Coupling
    lowest: Measure = measure("crank_rps", "rpm")
    lowest_road_speed: Measure = measure("m/s", "km/h", doc="missing where it hangs on the slip of a converter that was not worked out")
    below: Trouble
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


def usable_gears(build: Build, advice: DriveAdvice, reversion: Iterable[GearReversion]) -> tuple[GearUse, ...]:
    """Return every gear that can be used, with the lowest speed for it.

    Parameters
    ----------
    build : Build
    advice : DriveAdvice
        What the gears do on the spark table that is meant.
    reversion : iterable of GearReversion
        Where cycles vary more than the sheet allows on the level road.

    Returns
    -------
    tuple of GearUse
        Behind a converter a gear is listed as locked only if it is one of ``[vehicle] smooth_gears``, which are those that lock; the
        others, and these below lock-up, run open. A gear in which the engine holds the car at no speed is left out.
    """
    behind_converter = build.vehicle.transmission == "converter"
    rough = {one.gear: one for one in reversion}
    found = []
    for surge in advice.gears:
        locked = surge.coupling is Coupling.LOCKED
        if behind_converter and locked and surge.gear not in build.vehicle.smooth_gears:
            continue
        if math.isfinite(surge.si.slowest):
            found.append(_lowest_use(build, surge, rough.get(surge.gear) if locked else None, surge.coupling))
    return tuple(found)


def _lowest_use(build: Build, surge: GearSurge, rough: GearReversion | None, coupling: Coupling) -> GearUse:
    limits = [(surge.si.slowest, Trouble.STALLS, surge.mark("slowest")), (surge.si.bad_below, Trouble.SURGES, surge.mark("bad_below"))]
    if rough is not None:
        limits.append((rough.si.unstable_below, Trouble.ROUGH, rough.mark("unstable_below")))
    speed, below, mark = max((one for one in limits if math.isfinite(one[0])), key=lambda one: one[0])
    if below is Trouble.STALLS and mark is Mark.OR_LESS:
        below = Trouble.NOT_TRIED
    # An open converter slips: its road speed is known only where the surge was looked at.
    slipping = surge.si.bad_below_road_speed if below is Trouble.SURGES else math.nan
    locked = road_speed(build.vehicle, speed, build.vehicle.gear_ratios[surge.gear - 1])
    own = slipping if coupling is Coupling.CONVERTER else locked
    marks: dict[str, Marks] = {"lowest": mark, "lowest_road_speed": mark}
    return GearUse(gear=surge.gear, coupling=coupling, lowest=speed, lowest_road_speed=own, below=below, marks=marks)
