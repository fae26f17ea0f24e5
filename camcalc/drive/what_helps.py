"""What would calm a car at a point of the road: each remedy tried in the same drive, with the same draws."""

from __future__ import annotations

import contextlib
import dataclasses
import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..codes import Code
from ..errors import CamcalcError
from ..results import Measure, Record, measure
from ..tables.table import LATEST
from ..vehicle.acceleration_weighting import SurgeGrade
from ..vehicle.coupling import Coupling
from ..vehicle.driveline import driveline_of, road_speed_at
from .driven import Drives
from .level_road import turbine_at
from .run_setup import Foot, crank_at

if TYPE_CHECKING:
    from ..tables import SparkTable

__all__ = ["Help", "HelpTried", "blended", "in_lower_gear", "what_helps"]

Array = NDArray[np.float64]

# What is tried: a load filter so many times as slow, so much less spark [crank deg]. Common practice, no source.
SLOWER, LESS_SPARK = 3.0, 5.0
# Cells are blended with their neighbours along load so often, by 1-2-1: steps that alternate from cell to cell are gone after once, a single one is spread
# over four after twice. ESTIMATE.
BLENDED_TIMES = 2


class Help(Code):
    """What may calm a car that surges."""

    BLENDED = "load cells blended with their neighbours"
    FILTERED = f"a load filter {SLOWER:.0f} times as slow"
    RETARDED = f"{LESS_SPARK:.0f} deg less spark"
    LOWER_GEAR = "the gear below at the same road speed"
    STEADY_FOOT = "a foot that the car does not move"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class HelpTried(Record):
    """A remedy and what the drive came to with it."""

    help: Help
    shake: Measure = measure("m/s**2", doc="with it, r.m.s., usual foot")
    was: Measure = measure("m/s**2", doc="without it")
    verdict: SurgeGrade

    @property
    def share(self) -> float:
        """What is left of the acceleration."""
        return self.si.shake / self.si.was if self.si.was > 0.0 else math.nan


def blended(table: SparkTable) -> SparkTable:
    """Return a table whose cells are blended with their neighbours along load."""
    cells = np.asarray(table.si.cells, dtype=np.float64)
    for _ in range(BLENDED_TIMES):
        wide = np.concatenate([cells[:, :1], cells, cells[:, -1:]], axis=1)
        cells = 0.25 * wide[:, :-2] + 0.5 * wide[:, 1:-1] + 0.25 * wide[:, 2:]
    return table.replace(cells=cells)


def what_helps(drives: Drives, speed: float) -> tuple[HelpTried, ...]:
    """Return remedies at a crank speed [rev/s], best first; those that cannot be driven are left out.

    Parameters
    ----------
    drives : Drives
    speed : float [rev/s]

    Notes
    -----
    A usual foot throughout, a steady one where that is the remedy. Gains of a drive under some tenths are within the chance of its draws.
    """
    whole = drives.run(speed, Foot.USUAL)
    build, table = drives.build, drives.table
    slower = build.replace(limits=build.limits.replace(load_filter=SLOWER * build.limits.load_filter))
    tried: list[tuple[Help, Drives, float, Foot]] = [
        (Help.BLENDED, drives._replace(table=blended(table)), speed, Foot.USUAL),
        (Help.FILTERED, drives._replace(build=slower), speed, Foot.USUAL),
        # No later than a table may have it.
        (Help.RETARDED, drives._replace(table=table.replace(cells=np.maximum(table.si.cells - LESS_SPARK, LATEST))), speed, Foot.USUAL),
        (Help.STEADY_FOOT, drives, speed, Foot.STEADY),
    ]
    if drives.gear > 1:
        with contextlib.suppress(CamcalcError):  # no converter turns so fast
            tried.append((Help.LOWER_GEAR, drives._replace(gear=drives.gear - 1), in_lower_gear(drives, speed), Foot.USUAL))
    found = []
    for remedy, changed, at, foot in tried:
        try:
            driven = changed.run(at, foot)
        except CamcalcError:
            continue  # no road there in that gear, or no cells in the table
        if math.isfinite(driven.shake):
            found.append(HelpTried(help=remedy, shake=driven.shake, was=whole.shake, verdict=driven.verdict))
    return tuple(sorted(found, key=lambda one: one.si.shake))


def in_lower_gear(drives: Drives, speed: float) -> float:
    """Return the crank speed [rev/s] in the gear below at the same road speed as at a crank speed [rev/s]: an open converter slips otherwise there.

    Raises
    ------
    NoSolutionError
        If the converter cannot hold the car there.
    """
    build, coupling = drives.build, drives.coupling
    upper, lower = (driveline_of(build, gear, locked=coupling is Coupling.LOCKED) for gear in (drives.gear, drives.gear - 1))
    turbine = speed if coupling is Coupling.LOCKED else turbine_at(build, speed, drives.gear)
    return crank_at(build, lower, road_speed_at(upper, turbine), coupling, drives.gear - 1)
