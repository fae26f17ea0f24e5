"""What the driver does: tip-ins, gear changes, overrun, fuel cut, the return to idle. Swings that follow are not the table's doing."""

from __future__ import annotations

import dataclasses
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..codes import Code
from ..results import Measure, Record, measure
from ..tables.axes import LOADS
from .drive_log import DriveLog, pieces_of
from .signals import band_pass, stretches
from .spans import filled

__all__ = ["Manoeuvre", "ManoeuvreKind", "find_manoeuvres"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


class ManoeuvreKind(Code):
    """What the driver did; swings that follow are not the table's doing."""

    TIP_IN = "pedal pressed"
    LIFT = "pedal let off"
    GEAR_CHANGE = "gear change or clutch"
    CONVERTER = "converter that locks and unlocks"
    OVERRUN = "pedal closed, engine driven by the car"
    FUEL_CUT_BEGINS = "fuel cut begins"
    FUEL_CUT_ENDS = "fuel cut ends"
    RETURN_TO_IDLE = "pedal closed, engine falling to idle"
    IDLE = "pedal closed, not driving"
    FAST_OR_FULL_THROTTLE = "outside low speed and part throttle"


# A pedal that moves by more than PEDAL_STEP within PEDAL_TIME [s] is a tip-in or a lift; ESTIMATE.
PEDAL_STEP, PEDAL_TIME = 0.05, 0.5
# Without a pedal: mean load over a second that moves by so many of its usual steps (10 kPa, 0.1 g, 10 percent) within another; ESTIMATE.
LOAD_STEP = 0.6
# Closed is within so much of the pedal's least, if that is low enough to be a closed pedal at all; ESTIMATE. A least above OFFSET is a pedal let off,
# whose sensor has an offset, only if the engine idles or falls there for most of the time: else it is a light cruise.
CLOSED_WITHIN, CLOSED_BELOW, OFFSET = 0.015, 0.08, 0.02
# An engine slower than this [rev/s] with a car that does not drive idles: 1100 rpm. ESTIMATE.
IDLES_BELOW = 1100.0 / 60.0
# With the pedal let off a car in gear slows its engine by more than this [rev/s per s], 30 rpm/s, which nobody who holds a cruise does for long. ESTIMATE.
SLOWS = 30.0 / 60.0
# With a closed pedal the engine is on the overrun above this [rev/s]: 1200 rpm. ESTIMATE.
OVERRUN_ABOVE = 1200.0 / 60.0
# Falling faster than this [rev/s per s] with a closed pedal, it is on its way to idle: 100 rpm/s. ESTIMATE.
FALLING = 100.0 / 60.0
# The car rolls above this [m/s]; a ratio of engine to road speed that moves so much within a second is a gear change. ESTIMATE.
ROLLS, RATIO_STEP = 1.0, 0.08
# It is one only if the ratio, of engine speed without what swings, has another level before and after, or leaves its level for a moment: neighbouring
# gears differ by more than this share, and a swing of the driveline, however violent, moves about one level. Levels are means of so long [s], so long
# away from the row. ESTIMATE.
GEAR_STEP, LEVEL_OF, LEVEL_AT = 0.10, 2.0, 0.5
# Part throttle ends here; ESTIMATE.
PART_THROTTLE = 0.6


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Manoeuvre(Record):
    """Something the driver did."""

    kind: ManoeuvreKind
    start: Measure = measure("s")
    end: Measure = measure("s")


class _Rows(NamedTuple):
    """One piece of the log: times, and masks over its rows by kind."""

    time: Array
    masks: dict[ManoeuvreKind, Mask]


def find_manoeuvres(log: DriveLog, *, below: float) -> list[Manoeuvre]:
    """Return what the driver did, in order of time.

    Parameters
    ----------
    log : DriveLog
    below : float [rev/s]
        Engine speed below which surge is looked for.
    """
    found = []
    closed = closed_pedal(log)
    slow = slow_speed(log)
    for rows in pieces_of(log, "speed"):
        piece = _Rows(log.si.time[rows], {})
        _pedal_masks(log, rows, piece)
        _gear_masks(log, rows, piece, slow[rows])
        _closed_masks(log, rows, piece, closed[rows], slow[rows])
        fast = slow[rows] > below
        if log.values("pedal").size:
            fast |= log.si.pedal[rows] > PART_THROTTLE
        piece.masks[ManoeuvreKind.FAST_OR_FULL_THROTTLE] = fast
        found += [m for kind, mask in piece.masks.items() for m in _runs(kind, mask, piece.time)]
    return sorted(found, key=lambda m: m.si.start)


def closed_pedal(log: DriveLog) -> Mask:
    """Return the rows with a closed pedal; none where it was not logged."""
    pedal = log.values("pedal")
    if not np.isfinite(pedal).any():
        return np.zeros(len(log.si.time), dtype=bool)
    return pedal <= least_pedal(log) + CLOSED_WITHIN


def least_pedal(log: DriveLog) -> float:
    """Return the pedal that is taken as let off: its least, if that is low enough and the engine idles or falls there, else none at all."""
    pedal = log.values("pedal")
    least = float(np.nanmin(pedal)) if np.isfinite(pedal).any() else 0.0
    if least >= CLOSED_BELOW:
        return 0.0
    return least if least < OFFSET or _let_off(log, least) else 0.0


def _let_off(log: DriveLog, least: float) -> bool:
    """Whether the engine idles, falls or has its fuel cut for most of the time at the pedal's least."""
    time, slow = log.si.time, slow_speed(log)
    earlier = _earlier(time, 1.0)
    falls = slow[earlier] - slow > SLOWS * np.maximum(time - time[earlier], 1e-9)
    road, gear, cut = (log.values(name) for name in ("road_speed", "gear", "fuel_cut"))
    drives = road > ROLLS if road.size else gear >= 1.0 if gear.size else np.zeros(len(time), dtype=bool)
    off = falls | ((slow < IDLES_BELOW) & ~drives) | (cut > 0.5 if cut.size else False)
    return bool(off[log.si.pedal <= least + CLOSED_WITHIN].mean() > 0.5)


def slow_speed(log: DriveLog) -> Array:
    """Return engine speed without what swings, on the log's rows; the speed itself where a stretch is too short to tell."""
    out = log.si.speed.copy()
    for stretch in stretches(log, "speed"):
        swing = band_pass(stretch.values["speed"], stretch.step, 0.4, 1e3)
        out[stretch.rows] = np.interp(log.si.time[stretch.rows], stretch.time, stretch.values["speed"] - swing)
    return out


def _earlier(time: Array, by: float) -> NDArray[np.int64]:
    """Return for each row the first row that is no more than so much earlier."""
    return np.searchsorted(time, time - by - 1e-9)


def _pedal_masks(log: DriveLog, rows: slice, piece: _Rows) -> None:
    if not log.values("pedal").size:
        _load_masks(log, rows, piece)
        return
    pedal = log.si.pedal[rows]
    change = pedal - pedal[_earlier(piece.time, PEDAL_TIME)]
    piece.masks[ManoeuvreKind.TIP_IN] = change > PEDAL_STEP
    piece.masks[ManoeuvreKind.LIFT] = change < -PEDAL_STEP


def _load_masks(log: DriveLog, rows: slice, piece: _Rows) -> None:
    """Without a pedal: tip-ins and lifts by the mean load over a second, which a surge hardly moves."""
    if not log.loads.size:
        return
    mean = _mean(log.loads[rows], log)
    change = (mean - mean[_earlier(piece.time, 1.0)]) / LOADS[log.load_kind].step
    piece.masks[ManoeuvreKind.TIP_IN], piece.masks[ManoeuvreKind.LIFT] = change > LOAD_STEP, change < -LOAD_STEP


def _gear_masks(log: DriveLog, rows: slice, piece: _Rows, slow: Array) -> None:
    """Say where the gear changes or the clutch slips.

    Parameters
    ----------
    log : DriveLog
    rows : slice
        Of the piece.
    piece : _Rows
    slow : array, shape (n,) [rev/s]
        Engine speed without what swings.
    """
    gear, clutch = log.values("gear"), log.values("clutch")
    mask = np.zeros(len(piece.time), dtype=bool)
    if clutch.size:
        mask |= clutch[rows] > 0.5
    if gear.size and not log.gear_seen:
        mask[1:] |= np.diff(gear[rows]) != 0.0
    elif log.values("road_speed").size and not clutch.size:
        speed, road = log.si.speed[rows], log.si.road_speed[rows]
        before = np.maximum(np.arange(len(speed)) - max(round(log.si.sampling_rate), 1), 0)
        ratio = np.log(np.maximum(_mean(speed, log), 1e-3) / np.maximum(_mean(road, log), ROLLS))
        moves = (np.abs(ratio - ratio[before]) > RATIO_STEP) & (road > ROLLS)
        mask |= _as_one(moves & _another_level(piece.time, np.log(np.maximum(slow, 1e-3) / np.maximum(road, ROLLS))), piece.time)
    piece.masks[ManoeuvreKind.GEAR_CHANGE] = mask


def _another_level(time: Array, ratio: Array) -> Mask:
    """Return the rows within half a second of which the ratio of slow engine speed to road speed has another level before and after, or both times.

    Where the piece ends there is no level on the other side, and nothing is told.
    """
    if not np.isfinite(ratio).all():
        return np.ones(len(time), dtype=bool)
    total = np.concatenate([[0.0], np.cumsum(ratio)])

    def level(start: float, end: float) -> Array:
        first, last = np.searchsorted(time, time + start - 1e-9), np.searchsorted(time, time + end + 1e-9)
        with np.errstate(invalid="ignore"):
            return np.asarray((total[last] - total[first]) / (last - first))

    before, at, after = level(-LEVEL_AT - LEVEL_OF, -LEVEL_AT), level(-LEVEL_AT, LEVEL_AT), level(LEVEL_AT, LEVEL_AT + LEVEL_OF)
    steps = np.abs(after - before) > GEAR_STEP
    away = np.minimum(np.abs(at - before), np.abs(at - after)) > GEAR_STEP
    there = np.concatenate([[0], np.cumsum(steps | away)])
    return np.asarray(there[np.searchsorted(time, time + LEVEL_AT, side="right")] > there[np.searchsorted(time, time - LEVEL_AT)])


def _as_one(mask: Mask, time: Array) -> Mask:
    """Return a mask with its rows joined where they are less than a second apart: one gear change has two sides."""
    rows = np.flatnonzero(mask)
    near = np.flatnonzero(np.diff(time[rows]) < 1.0)
    return mask | filled(len(mask), rows[near], rows[near + 1])


def _mean(values: Array, log: DriveLog) -> Array:
    """Return the mean over the second before each row, of the rows that hold numbers, so that a surge does not look like something else."""
    width = max(round(log.si.sampling_rate), 1)
    there = np.isfinite(values)
    total, count = (np.concatenate([np.zeros(1), np.cumsum(v)]) for v in (np.where(there, values, 0.0), there.astype(float)))
    first = np.maximum(np.arange(1, len(values) + 1) - width, 0)
    with np.errstate(invalid="ignore"):
        return (total[1:] - total[first]) / (count[1:] - count[first])


def _closed_masks(log: DriveLog, rows: slice, piece: _Rows, closed: Mask, slow: Array) -> None:
    cut = log.values("fuel_cut")
    is_cut = cut[rows] > 0.5 if cut.size else np.zeros(len(closed), dtype=bool)
    if cut.size:
        change = np.diff(is_cut.astype(int), prepend=int(is_cut[0]))
        piece.masks[ManoeuvreKind.FUEL_CUT_BEGINS], piece.masks[ManoeuvreKind.FUEL_CUT_ENDS] = change > 0, change < 0
    fast = slow > OVERRUN_ABOVE
    before = slow[_earlier(piece.time, 1.0)]
    falling = (before - slow) > FALLING * np.maximum(piece.time - piece.time[_earlier(piece.time, 1.0)], 1e-9)
    road, gear = log.values("road_speed"), log.values("gear")
    driving = (road[rows] > ROLLS) if road.size else ((gear[rows] >= 1.0) if gear.size else np.zeros(len(closed), dtype=bool))
    piece.masks[ManoeuvreKind.OVERRUN] = (closed & fast) | is_cut
    piece.masks[ManoeuvreKind.RETURN_TO_IDLE] = closed & ~fast & falling & ~is_cut
    piece.masks[ManoeuvreKind.IDLE] = closed & ~fast & ~falling & ~driving & ~is_cut


def _runs(kind: ManoeuvreKind, mask: Mask, time: Array) -> list[Manoeuvre]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return [Manoeuvre(kind=kind, start=time[a], end=time[b - 1]) for a, b in zip(edges[::2], edges[1::2], strict=True)]
