"""Readings from a log: what is steady in it, averaged, as rows for the sheet."""

from __future__ import annotations

import math
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..codes import Code
from ..cycle.load_axis import AIR_CHARGE, MANIFOLD_PRESSURE
from ..errors import InputError
from ..logs import DriveLog, read_log
from ..logs.gear_seen import with_gears
from ..sheet import Build
from ..sheet.measured_reading import read_measured
from ..sheet.measured_rows import IDLE, ROAD, MeasuredRow
from ..sheet.section_reading import Problems
from .observed import CLOSENESS

__all__ = ["NotSteady", "SteadyPoint", "rows_with_logs", "steady_points", "why_not_steady"]

Array = NDArray[np.float64]

# Windows of so many seconds are looked at, and count as steady where engine speed scatters and drifts by less than these shares, spark by less than
# so many degrees, pedal by less than this share of its whole, and the car gains or loses less than this speed [m/s]. Common practice, no source.
WINDOW, SCATTER, DRIFT, SPARK, PEDAL, GAINED = 5.0, 0.06, 0.02, 1.5, 0.02, 0.4
# Below this the car stands [m/s]; above that it drives.
STANDS, DRIVES = 0.3, 3.0
# No idle is faster than so many times the sheet's; a fast idle held with the pedal is stated by hand. ESTIMATE.
FASTEST = 2.0
# Two windows are one point where speed and spark agree so closely: share, degrees.
SAME = 0.03, 1.5
# A point needs so many seconds to count.
LEAST = 10.0
MOST_POINTS = 4
# Blocks over which the scatter of a mean is taken [s].
BLOCK = 1.0
# Rows of a window, at least: scatter and drift of fewer are chance. ESTIMATE.
LEAST_ROWS = 8


class NotSteady(Code):
    """Why a log has nothing steady to learn from."""

    NO_LOAD = "manifold pressure or air charge was not logged"
    NO_SPARK = "spark was not logged"
    FEW_ROWS = "too few rows a second to tell steady from unsteady"
    UNSTEADY = "no stretch is steady for long enough"


class SteadyPoint(NamedTuple):
    """Where a log is steady: at idle or on the road, for how long [s] and from when, engine speed [rev/s], spark [crank deg], gear (0 at a standstill),
    and what was read: mean and how closely, by the sheet's names."""

    what: str
    seconds: float
    begins: float
    speed: float
    spark: float
    gear: int
    read: dict[str, tuple[float, float]]

    def stated(self) -> dict[str, str | int]:
        """Return the point as a row of a sheet."""
        row: dict[str, str | int] = {"what": self.what, "speed": f"{self.speed * 60.0:.0f} rpm", "spark": f"{self.spark:.1f} crank_deg"}
        if self.gear:
            row["gear"] = self.gear
        shown = {"manifold_pressure": (1e-3, "kPa"), "air_flow": (1e3, "g/s")}
        for name, (value, within) in self.read.items():
            factor, unit = shown[name]
            row[name] = f"{value * factor:.2f} {unit} +- {within * factor:.2f} {unit}"
        return row

    @property
    def text(self) -> str:
        """The point as lines of a sheet."""
        return "\n".join(["[[measured]]", *(f"{k} = {v}" if isinstance(v, int) else f'{k} = "{v}"' for k, v in self.stated().items())])


def rows_with_logs(build: Build) -> tuple[MeasuredRow, ...]:
    """Return the rows of a sheet, those from logs with what was steady in them.

    Raises
    ------
    InputError
        If a log has nothing steady of the kind that its row names, or nothing to learn from there.
    """
    found: list[MeasuredRow] = []
    for row in build.measured:
        if not row.log:
            found.append(row)
            continue
        log = with_gears(read_log(row.log), build)
        points = [point for point in steady_points(log, build) if point.what == row.said.what]
        if not points:
            expected = f"{LEAST:.0f} s of steady {row.said.what} with engine speed, spark and load logged"
            came, fix = Path(row.log).name, "hold speed and spark, or state figures"
            if why_not_steady(log) is NotSteady.FEW_ROWS:
                came, fix = f"{came}, with {log.si.sampling_rate:.3g} rows a second", f"log {LEAST_ROWS / WINDOW:g} rows a second or more, or state figures"
            raise InputError(f"[measured, row {row.number}] from", came=came, expected=expected, fix=fix)
        for point in points:
            problems = Problems()
            stated = {**point.stated(), **{key: value for key, value in row.text.items() if key != "from"}}
            found += [one.replace(number=row.number) for one in read_measured([stated], problems)]
            problems.raise_any(row.log)
    return tuple(found)


def steady_points(log: DriveLog, build: Build) -> tuple[SteadyPoint, ...]:
    """Return where a log is steady long enough to learn from, the longest first.

    Parameters
    ----------
    log : DriveLog
        With engine speed, spark and load: manifold pressure, or air charge of a cylinder.
    build : Build
        How many cylinders there are, and how many gears.

    Examples
    --------
    >>> from camcalc import load_build
    >>> channels = {"speed": 14.0, "spark": 20.0, "load": 55e3, "pedal": 0.0}
    >>> log = DriveLog.of(time=[0.1 * k for k in range(300)], load_kind="manifold pressure", **{name: [value] * 300 for name, value in channels.items()})
    >>> point, = steady_points(log, load_build("examples/quarry-road/build.toml"))
    >>> point.what, round(point.seconds), round(point.read["manifold_pressure"][0])
    ('idle', 30, 55000)
    """
    if why_not_steady(log) in (NotSteady.NO_LOAD, NotSteady.NO_SPARK):
        return ()
    windows = [window for window in _windows(log, build.idle.si.speed) if window is not None]
    groups: list[list[tuple[str, int, NDArray[np.int64]]]] = []
    for window in windows:
        same = next((group for group in groups if _one_point(log, group[0], window)), None)
        if same is None:
            groups.append([window])
        else:
            same.append(window)
    points = [_point(log, build, group) for group in groups]
    long = [point for point in points if point.seconds >= LEAST]
    return tuple(sorted(long, key=lambda point: -point.seconds)[:MOST_POINTS])


def why_not_steady(log: DriveLog) -> NotSteady:
    """Return why a log in which nothing steady was found has none.

    Examples
    --------
    >>> channels = {"speed": 14.0, "spark": 20.0, "load": 55e3}
    >>> slow = DriveLog.of(time=range(60), load_kind="manifold pressure", **{name: [value] * 60 for name, value in channels.items()})
    >>> why_not_steady(slow).code
    'few_rows'
    """
    if log.load_kind not in (MANIFOLD_PRESSURE, AIR_CHARGE) or not log.values("load").size:
        return NotSteady.NO_LOAD
    if not log.values("spark").size:
        return NotSteady.NO_SPARK
    return NotSteady.FEW_ROWS if log.si.sampling_rate * WINDOW < LEAST_ROWS * (1.0 - 1e-6) else NotSteady.UNSTEADY


def _windows(log: DriveLog, idle: float) -> list[tuple[str, int, NDArray[np.int64]] | None]:
    """Return steady windows: at idle or on the road, gear, rows."""
    time, piece, found = log.si.time, log.piece, []
    for number in np.unique(piece):
        rows = np.flatnonzero(piece == number)
        if not len(rows):
            continue
        start = float(time[rows[0]])
        which = np.floor((time[rows] - start) / WINDOW).astype(int)
        for k in np.unique(which):
            own = rows[which == k]
            if len(own) >= LEAST_ROWS and time[own[-1]] - time[own[0]] >= 0.9 * WINDOW * (1.0 - 1.0 / len(own)):
                found.append(_steady(log, own, idle))
    return found


def _steady(log: DriveLog, rows: NDArray[np.int64], idle: float) -> tuple[str, int, NDArray[np.int64]] | None:
    speed, spark = log.si.speed[rows], log.values("spark")[rows]
    load = log.values("load")[rows]
    if not (np.isfinite(speed).all() and np.isfinite(spark).all() and np.isfinite(load).mean() > 0.5):
        return None
    half, mean = len(rows) // 2, float(speed.mean())
    if speed.std() > SCATTER * mean or abs(float(speed[:half].mean() - speed[half:].mean())) > DRIFT * mean or spark.std() > SPARK:
        return None
    middle = abs(float(np.nanmean(load)))
    # Where one half of the load is a hole nothing says that it does not drift.
    if not all(np.isfinite(side).any() for side in (load[:half], load[half:])):
        return None
    if abs(float(np.nanmean(load[:half]) - np.nanmean(load[half:]))) > DRIFT * middle:
        return None
    pedal, road, gear = log.values("pedal"), log.values("road_speed"), log.values("gear")
    if any(channel.size and not np.isfinite(channel[rows]).any() for channel in (pedal, road, log.values("fuel_cut"))):
        return None
    if pedal.size and np.nanmax(pedal[rows]) - np.nanmin(pedal[rows]) > PEDAL:
        return None
    cut = log.values("fuel_cut")
    if cut.size and np.nanmax(cut[rows]) > 0.5:
        return None
    if not road.size or np.nanmax(road[rows]) < STANDS:
        # Without road speed a cruise looks like an idle, but for a pedal that is shut or a gear that is logged as none.
        known = gear[rows][np.isfinite(gear[rows])] if gear.size else np.empty(0)
        out_of_gear = bool(known.size) and known.max() == 0.0
        closed = bool(pedal.size) and np.nanmax(pedal[rows]) <= PEDAL
        in_gear = bool(known.size) and known.max() >= 1.0
        if in_gear or mean > FASTEST * idle or not (road.size or closed or out_of_gear):
            return None
        return IDLE, 0, rows
    if np.nanmin(road[rows]) < DRIVES or np.nanmax(road[rows]) - np.nanmin(road[rows]) > GAINED or not gear.size:
        return None
    own = gear[rows]
    return (ROAD, int(own[0]), rows) if np.isfinite(own).all() and np.ptp(own) == 0.0 and own[0] >= 1.0 else None


def _one_point(log: DriveLog, one: tuple[str, int, NDArray[np.int64]], other: tuple[str, int, NDArray[np.int64]]) -> bool:
    if one[:2] != other[:2]:
        return False
    speeds = [float(log.si.speed[rows].mean()) for rows in (one[2], other[2])]
    sparks = [float(log.values("spark")[rows].mean()) for rows in (one[2], other[2])]
    return abs(speeds[0] - speeds[1]) <= SAME[0] * speeds[0] and abs(sparks[0] - sparks[1]) <= SAME[1]


def _point(log: DriveLog, build: Build, group: list[tuple[str, int, NDArray[np.int64]]]) -> SteadyPoint:
    rows = np.concatenate([window[2] for window in group])
    speed, load = log.si.speed[rows], log.values("load")[rows]
    if log.load_kind == MANIFOLD_PRESSURE:
        name, values = "manifold_pressure", load
    else:
        name, values = "air_flow", load * build.engine.cylinders * speed / 2.0
    step = float(np.median(np.diff(log.si.time)))
    absolute, share = CLOSENESS[name]
    mean, scatter = _mean_of(values, max(round(BLOCK / step), 1))
    within = math.hypot(scatter, math.hypot(absolute, share * mean))
    begins = float(log.si.time[rows[0]])
    return SteadyPoint(group[0][0], len(rows) * step, begins, float(speed.mean()), float(log.values("spark")[rows].mean()), group[0][1], {name: (mean, within)})


def _mean_of(values: Array, block: int) -> tuple[float, float]:
    """Return the mean of a channel and the scatter of that mean, from means over blocks longer than its memory."""
    whole = len(values) // block * block
    blocks = values[:whole].reshape(-1, block) if whole >= 2 * block else values[:, None]
    there = np.isfinite(blocks)
    # A block in a hole has no mean.
    blocks = np.where(there, blocks, 0.0).sum(axis=1)[there.any(axis=1)] / there.sum(axis=1)[there.any(axis=1)]
    return float(np.nanmean(values)), float(blocks.std(ddof=1) / math.sqrt(len(blocks))) if len(blocks) > 1 else math.nan
