"""The lowest speed at which each gear can be used: where running gets rough, where the gear surges, where the engine no longer holds the car."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

from ..codes import Code
from ..vehicle.road_load import road_speed

if TYPE_CHECKING:
    from ..advice.reversion import GearReversion
    from ..sheet import Build
    from .gear_advice import DriveAdvice, GearSurge

__all__ = ["SlowestUse", "Trouble", "usable_gears"]


class Trouble(Code):
    """What a gear does below its lowest usable speed."""

    SURGES = "surge"
    ROUGH = "rough"
    NOT_HELD = "too slow"


class SlowestUse(NamedTuple):
    """The lowest speed [rev/s] a gear can be used at and its road speed [m/s], what is wrong below, and whether a search ended there.

    The road speed is not-a-number where it hangs on the slip of a converter that was not worked out.

    ``locked`` is ``None`` where nothing but a clutch or a locked automatic drives the gear.
    """

    gear: int
    locked: bool | None
    speed: float
    road_speed: float
    trouble: Trouble
    at_the_end: bool


def usable_gears(build: Build, advice: DriveAdvice | None, reversion: Iterable[GearReversion]) -> list[SlowestUse]:
    """Return every gear that can be used, with the lowest speed for it.

    Parameters
    ----------
    build : Build
    advice : DriveAdvice, optional
        What the gears do on the spark table that is meant.
    reversion : iterable of GearReversion
        Where cycles vary more than the sheet allows on the level road.

    Returns
    -------
    list of SlowestUse
        Behind a converter a gear is listed as locked only if it is one of ``[vehicle] smooth_gears``, which are those that lock; the
        others, and these below lock-up, run open. A gear in which the engine holds the car at no speed is left out.
    """
    behind_converter = build.vehicle.transmission == "converter"
    rough = {one.gear: one for one in reversion}
    found = []
    for surge in advice.gears if advice is not None else ():
        locked = surge.coupling == "locked"
        if behind_converter and locked and surge.gear not in build.vehicle.smooth_gears:
            continue
        if math.isfinite(surge.si.slowest):
            found.append(_slowest(build, surge, rough.get(surge.gear) if locked else None, locked if behind_converter else None))
    return found


def _slowest(build: Build, surge: GearSurge, rough: GearReversion | None, locked: bool | None) -> SlowestUse:
    limits = [(surge.si.slowest, Trouble.NOT_HELD, surge.mark("slowest")), (surge.si.bad_below, Trouble.SURGES, surge.mark("bad_below"))]
    if rough is not None:
        limits.append((rough.si.unstable_below, Trouble.ROUGH, rough.mark("unstable_below")))
    speed, trouble, mark = max((one for one in limits if math.isfinite(one[0])), key=lambda one: one[0])
    # An open converter slips: its road speed is known only where the surge was looked at.
    open_converter = surge.si.bad_below_road_speed if trouble is Trouble.SURGES else math.nan
    own = road_speed(build.vehicle, speed, build.vehicle.gear_ratios[surge.gear - 1])
    return SlowestUse(surge.gear, locked, speed, open_converter if locked is False else own, trouble, mark is not None)
