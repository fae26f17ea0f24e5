"""A car driven over time at points of the level road: with a steady, a usual and a loose foot, and without each of what shakes it."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..units import quantity
from ..vehicle.acceleration_weighting import SurgeGrade
from ..vehicle.coupling import Coupling
from .drive_run import Driver, DriveRun, simulate_drive
from .run_setup import FEET, SHAKERS, Foot, Shaker

if TYPE_CHECKING:
    from ..cycle.engine_tables import EngineTables
    from ..sheet import Build
    from ..tables import SparkTable

__all__ = ["Driven", "Drives", "contributions", "drives_at", "shake_on_level"]

Array = NDArray[np.float64]

# Each point is driven for so long, the crank nudged so far from its speed at the start [rev/s], and judged by what is left after the settling time
# [s]: what lash or the table keeps alive shows, what dies does not. ESTIMATE.
DRIVEN, NUDGE, SETTLED = 16.0, 30.0 / 60.0, 4.0


class Driven(NamedTuple):
    """What a drive came to: acceleration r.m.s. and from peak to peak within 0.5 to 16 Hz [m/s2], missed cycles [1/s], the verdict; NaN where it stalled."""

    shake: float
    peaks: float
    missed: float
    verdict: SurgeGrade

    @staticmethod
    def of(run: DriveRun) -> Driven:
        """Return what a run came to after the settling time."""
        if run.stalled:
            return Driven(math.nan, math.nan, math.nan, SurgeGrade.STALLS)
        late = run.after(SETTLED)
        return Driven(late.shake, late.peaks, late.missed_rate, late.verdict)


class Drives(NamedTuple):
    """A gear to drive in, on a table, with what the engine's tables say."""

    build: Build
    table: SparkTable
    gear: int
    coupling: Coupling
    engine_tables: EngineTables

    def run(self, speed: float, foot: Foot = Foot.STEADY, without: Iterable[Shaker] = ()) -> Driven:
        """Return what a drive at a crank speed [rev/s] comes to."""
        asked: dict[str, Any] = {"speed": quantity(speed, "crank_rps"), "duration": quantity(DRIVEN, "s"), "kick": quantity(NUDGE, "crank_rps")}
        found = simulate_drive(
            self.build,
            self.table,
            gear=self.gear,
            coupling=self.coupling,
            driver=Driver.SPEED_HOLD,
            foot=foot,
            without=without,
            engine_tables=self.engine_tables,
            **asked,
        )
        return Driven.of(found)


def drives_at(drives: Drives, speeds: Sequence[float], feet: Sequence[tuple[Foot, ...]]) -> list[tuple[Driven, ...]]:
    """Return what drives at some crank speeds come to, for each of ``FEET``.

    Parameters
    ----------
    drives : Drives
    speeds : sequence of float [rev/s]
    feet : sequence of tuple of Foot
        With which feet to drive at each speed, a steady one among them; the others are taken as that.
    """
    asked = [(speed, foot) for speed, some in zip(speeds, feet, strict=True) for foot in some]
    found = dict(zip(asked, _on_all_cores(lambda one: drives.run(*one), asked), strict=True))
    return [tuple(found.get((speed, foot), found[speed, Foot.STEADY]) for foot in FEET) for speed in speeds]


def contributions(drives: Drives, speeds: Sequence[float], whole: Sequence[Driven]) -> Array:
    """Return what each shaker adds to the acceleration [m/s2 r.m.s.], a row for each of ``SHAKERS``.

    The same drive with the same draws without it shakes less: the root of what its mean square lacks.

    Parameters
    ----------
    drives : Drives
    speeds : sequence of float [rev/s]
    whole : sequence of Driven
        The drives at these speeds with a steady foot and everything in them.
    """
    asked = [(speed, shaker) for shaker in SHAKERS for speed in speeds]
    found = _on_all_cores(lambda one: drives.run(one[0], without=(one[1],)), asked)
    rest = np.array([one.shake for one in found]).reshape(len(SHAKERS), len(speeds))
    total = np.array([one.shake for one in whole])
    return np.asarray(np.sqrt(np.maximum(total**2 - rest**2, 0.0)))


def shake_on_level(drives: Drives, speeds: Sequence[float], sparks: Sequence[float]) -> Array:
    """Return the acceleration [m/s2 r.m.s.] that is left on level tables which have at each speed the spark that the table has there.

    What the table's slopes do, and nothing that its spark does.

    Parameters
    ----------
    drives : Drives
    speeds : sequence of float [rev/s]
    sparks : sequence of float [crank deg]
        Of the table on the level road at each speed.
    """

    def left(at: tuple[float, float]) -> Driven:
        speed, spark = at
        return drives._replace(table=drives.table.with_spark(np.full(drives.table.shape, spark))).run(speed)

    return np.array([one.shake for one in _on_all_cores(left, list(zip(speeds, sparks, strict=True)))])


def _on_all_cores(task: Any, asked: Sequence[Any]) -> list[Driven]:
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        return list(pool.map(task, asked))
