"""The sequence of firings in a run over time: when each comes, which cylinder it is, what it works, and whether it misses."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord
from ..drive.engine_loop import EngineSide
from ..drive.run_setup import STEP, cylinders_of, filled_tables, plant_of
from ..errors import InputError
from ..results import Measure, measure
from ..vehicle.coupling import Coupling

if TYPE_CHECKING:
    from ..drive.drive_run import DriveRun
    from ..drive.engine_loop import SparkMap
    from ..sheet import Build

__all__ = ["Firings", "even_firings", "firings_of"]

Array = NDArray[np.float64]

TURN = 2.0 * math.pi
# A run keeps a torque through a segment of the cycle, but for the step in which one ends: so many steps to either side of an end are not read.
LEFT_OUT = 1.5
# Rows further apart than this [s] miss segments.
WIDEST_ROWS = 2.1e-3


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Firings(ArrayRecord):
    """Firing after firing of an engine, all cylinders; ``place`` is a cylinder's place in the firing order, counted from 0, wherever the count began."""

    AXES = ("time",)

    cylinders: int
    duration: float
    time: Measure = measure("s", doc="when the exhaust of a firing leaves: the end of its interval")
    interval: Measure = measure("s", "ms", doc="of the firing, to its end")
    speed: Measure = measure("crank_rps", "rpm", doc="of the crank, mean over the interval")
    work: Measure = measure("J", doc="at the pistons over the interval, of all cylinders")
    burn: Measure = measure("J", doc="the same without pumping: what the burn gives; nothing where the cycle misses")
    missed: Array
    place: Array

    @property
    def missed_rate(self) -> float:
        """Cycles that missed [1/s], all cylinders counted; NaN without a span."""
        return float(self.missed.sum() / self.duration) if self.duration > 0.0 else math.nan

    @property
    def variation(self) -> float:
        """Standard deviation of the burns' work over its mean, missed cycles counted; NaN where nothing burns."""
        burn = self.si.burn
        return float(burn.std() / burn.mean()) if burn.size and burn.mean() > 0.0 else math.nan

    def between(self, start: float, end: float) -> Firings:
        """Return the firings of a span of time [s], counted from its start."""
        time = self.si.time
        inside = (time >= start) & (time < end)
        kept = {name: getattr(self.si, name)[inside] for name in self.measures()}
        kept["time"] = kept["time"] - start
        return self.replace(**kept, missed=self.missed[inside], place=self.place[inside], duration=end - start)


def even_firings(speed: float, work: Array, *, cylinders: int, duration: float) -> Firings:
    """Return firings of an engine that turns steadily and evenly, each cylinder with a work of its own; zero work is a cycle that misses.

    Parameters
    ----------
    speed : float [rev/s]
    work : array, shape (cylinders,) [J]
        Of each place in the firing order, in every cycle.
    cylinders : int
    duration : float [s]

    Examples
    --------
    >>> import numpy as np
    >>> firings = even_firings(10.0, np.array([1.0, 0.0, 1.0, 1.0]), cylinders=4, duration=1.0)
    >>> firings.si.time.size, firings.missed_rate
    (20, 5.0)
    """
    interval = 2.0 / (cylinders * speed)
    count = round(duration / interval)
    each = np.resize(np.asarray(work, dtype=np.float64), count)
    return Firings(
        cylinders=cylinders,
        duration=duration,
        time=interval * np.arange(count),
        interval=np.full(count, interval),
        speed=np.full(count, speed),
        work=each,
        burn=each,
        missed=(each == 0.0).astype(np.float64),
        place=np.arange(count, dtype=np.float64) % cylinders,
    )


def firings_of(run: DriveRun, build: Build, table: SparkMap, engine_side: EngineSide) -> Firings:
    """Return the firings of a run over time, read off its rows.

    Parameters
    ----------
    run : DriveRun
        With a row every 2 ms.
    build : Build
        That it ran with.
    table : SparkTable
        That it ran on.
    engine_side : EngineSide
        Of the engine that it ran with.

    Raises
    ------
    InputError
        If its rows are so far apart that they miss firings.

    Notes
    -----
    A run keeps its torque through a segment of the cycle; a segment's work is that torque, with rubbing friction put back, times its angle. A firing's
    interval has one segment or more. What its burn gives is that work less the pumping of the settled cycle at the same speed, manifold pressure and spark;
    the work of the other cylinders differs little from firing to firing and is counted with it. Expansion reaches into the next interval: what the interval
    of a missed cycle seems to have of a burn lacks there, and is put there, so that the sum is as it was.

    References
    ----------
    Work is torque times angle: definition. The segments are those of ``event_kernel``.
    """
    si = run.si
    if si.time.size < 2 or si.time[1] - si.time[0] > WIDEST_ROWS:
        raise InputError("run", came="rows too far apart", expected="a row every 2 ms", fix='simulate_drive(..., sample_time="2 ms")')
    engine = cylinders_of(engine_side, table, float(si.speed[0]), float(si.manifold_pressure[0]))[0]
    each, angle = engine.segments // engine.number, 2.0 * TURN / engine.segments
    turned = TURN * np.concatenate([[0.0], np.cumsum(0.5 * (si.speed[1:] + si.speed[:-1]) * np.diff(si.time))])
    torque = si.crank_torque + _rubbing(build, engine_side, si.speed)
    by_segment = _torque_by_segment(si.time, turned, torque, TURN * si.speed, angle)
    firsts = np.arange(engine.works, by_segment.size - each + 1, each)
    if firsts.size == 0:
        raise InputError("run", came=f"{si.time[-1]:.3g} s", expected="a cycle at least", fix="run for longer")
    starts, ends = (np.interp(k * angle, turned, si.time) for k in (firsts, firsts + each))
    work = angle * np.array([by_segment[k : k + each].sum() for k in firsts])
    speed = each * angle / TURN / (ends - starts)
    missed = _missed(run, turned, angle, each, firsts - engine.works)
    pumping = _pumping(run, engine_side, 0.5 * (starts + ends))
    without_fuel = np.interp(0.5 * (starts + ends), si.time, run.fuel_cut) > 0.5
    burn = np.where(without_fuel, 0.0, _burns(work - pumping, missed))
    place = np.arange(firsts.size, dtype=np.float64) % engine.number
    return Firings(
        cylinders=engine.number, duration=float(si.time[-1]), time=ends, interval=ends - starts, speed=speed, work=work, burn=burn, missed=missed, place=place
    )


def _rubbing(build: Build, engine_side: EngineSide, speed: Array) -> Array:
    """Return the torque [N m] of rubbing friction that a run takes off, at crank speeds [rev/s]."""
    steady, by_square = plant_of(build, engine_side, None, Coupling.LOCKED).friction
    return np.asarray(steady + by_square * (TURN * speed) ** 2)


def _torque_by_segment(time: Array, turned: Array, torque: Array, omega: Array, angle: float) -> Array:
    """Return the torque [N m] of each whole segment: the mean of the rows that lie within it, else of the row next to its middle."""
    count = int(turned[-1] / angle)
    # A row's torque is that of the step before it.
    at = np.interp(time - 0.5 * STEP, time, turned) / angle
    segment, share = np.floor(at).astype(np.int64), at % 1.0
    edge = LEFT_OUT * STEP * omega / angle
    within = (share > edge) & (share < 1.0 - edge) & (segment < count) & (time > 0.0)
    sums, rows = (np.bincount(segment[within], weights, count) for weights in (torque[within], None))
    nearest = np.abs(at[1:, None] - (np.flatnonzero(rows == 0) + 0.5)).argmin(axis=0) + 1
    found = sums / np.maximum(rows, 1)
    found[rows == 0] = torque[nearest]
    return np.asarray(found)


def _missed(run: DriveRun, turned: Array, angle: float, each: int, closings: NDArray[np.int64]) -> Array:
    """Return which firings miss: a row counts the cycles whose intake closed since the one before, and each closed at the beginning of a segment."""
    flagged = np.flatnonzero(run.missed > 0.0)
    missed = np.zeros(closings.size)
    if flagged.size == 0:
        return missed
    # A segment begins with the first step after its end; of the row's time that is half a step.
    middles = np.interp(run.si.time[flagged] - 0.5 * (run.si.time[1] - run.si.time[0]) - 0.5 * STEP, run.si.time, turned)
    nearest = np.round(middles / angle / each).astype(np.int64) * each
    at = {int(k): j for j, k in enumerate(closings)}
    for k in nearest:
        if int(k) in at:
            missed[at[int(k)]] = 1.0
    return missed


def _burns(over_pumping: Array, missed: Array) -> Array:
    """Return what burns give [J], of work over pumping: nothing in a missed cycle, whose share goes to the firing after it."""
    burn = over_pumping.copy()
    for j in np.flatnonzero(missed > 0.0):
        if j + 1 < burn.size:
            burn[j + 1] += burn[j]
        burn[j] = 0.0
    return np.maximum(burn, 0.0)


def _pumping(run: DriveRun, engine_side: EngineSide, times: Array) -> Array:
    """Return the pumping work [J] of a cylinder's settled cycle at some times [s] of a run; below zero as a rule."""
    filled, si = filled_tables(engine_side), run.si
    speeds, pressures, sparks = (np.interp(times, si.time, values) for values in (si.speed, si.manifold_pressure, si.spark))
    low, high = (float(filled.speeds[k]) for k in (0, -1))
    least, most = (float(filled.pressures[k]) for k in (0, -1))
    found = []
    for speed, pressure, spark in zip(np.clip(speeds, low, high), np.clip(pressures, least, most), sparks, strict=True):
        at = filled.at(float(speed), float(pressure), float(spark))
        found.append(engine_side.swept * (at["net"] - at["gross"]))
    return np.array(found)
