"""The gear of a log without a gear channel: engine speed over road speed, held against the ratios of the build sheet."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .drive_log import DriveLog, pieces_of
from .log_notes import LogDoubt, LogNote
from .manoeuvres import ROLLS

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["highest_gear", "with_gears"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Levels of both speeds are means over so long [s]: however hard a driveline bucks, they move by some percent only. ESTIMATE.
LEVEL_OF = 2.0
# A gear is in where the ratio is within this share of its own, or half way to its neighbour if that is less: tyres and speedometers differ. ESTIMATE.
WITHIN = 0.10
# Behind a converter the engine is faster than the gearbox by the slip, which another gear could be taken for: within this share it is locked. ESTIMATE.
LOCKED_WITHIN = 0.03
# A gear stays in for so long [s]: on the way from one to another the ratio passes those between. ESTIMATE.
STAYS = 1.0
# The sheet's gears are those of the log if they account for this share of the rows that roll, and so much [s] rolls. ESTIMATE.
FITS, LEAST_ROLLING = 0.5, 3.0


def highest_gear(log: DriveLog) -> int:
    """Return the highest gear in a log; 0 where none was logged."""
    known = log.gear[np.isfinite(log.gear)]
    return int(known.max()) if known.size else 0


def with_gears(log: DriveLog, build: Build) -> DriveLog:
    """Return a log with the gears that its speeds show; as it is where it holds gears already or no road speed.

    Not-a-number where no gear fits: clutch or converter slips, or a gear is on its way in. What is told so is marked as seen: gear changes are not
    taken from it, since a driveline that bucks must not be called a driver who shifts.

    Parameters
    ----------
    log : DriveLog
    build : Build
        Its gear ratios, final drive and tyres.
    """
    if log.gear.size or not log.values("road_speed").size:
        return log
    vehicle = build.vehicle
    turns = np.log(np.array(vehicle.gear_ratios) * vehicle.final_drive / (2.0 * math.pi * vehicle.si.tyre_radius))
    within = LOCKED_WITHIN if vehicle.transmission == "converter" else WITHIN
    gears, rolls = np.full(len(log.si.time), np.nan), np.zeros(len(log.si.time), dtype=bool)
    for rows in pieces_of(log, "speed", "road_speed"):
        gears[rows], rolls[rows] = _gears(log.si.time[rows], log.si.speed[rows], log.si.road_speed[rows], turns, within)
    if rolls.sum() < LEAST_ROLLING * log.si.sampling_rate:
        return log
    share = float(np.isfinite(gears).sum() / rolls.sum())
    fits = share >= FITS
    note = LogNote(what=LogDoubt.GEAR_SEEN if fits else LogDoubt.OTHER_GEARS, channel="gear", figure=share)
    told = log.replace(gear=gears, gear_seen=True) if fits else log
    return told.replace(notes=(*log.notes, note))


def _gears(time: Array, speed: Array, road: Array, turns: Array, within: float) -> tuple[Array, Mask]:
    """Return the gear of each row of a piece, and whether the car rolls there.

    Parameters
    ----------
    time : array, shape (n,) [s]
    speed : array, shape (n,) [rev/s]
    road : array, shape (n,) [m/s]
    turns : array, shape (gears,)
        Natural logarithms of crank revolutions per metre.
    within : float
        Largest share by which the ratio may be off.
    """
    first, last = np.searchsorted(time, time - LEVEL_OF / 2.0 - 1e-9), np.searchsorted(time, time + LEVEL_OF / 2.0 + 1e-9)
    engine, car = ((total[last] - total[first]) / (last - first) for total in (np.concatenate([[0.0], np.cumsum(v)]) for v in (speed, road)))
    rolls = (car > ROLLS) & (engine > 0.0)
    ratio = np.log(np.where(rolls, engine, 1.0) / np.where(rolls, car, 1.0))
    nearest = np.abs(ratio[:, None] - turns).argmin(axis=1)
    apart = np.abs(np.diff(turns)) / 2.0
    most = np.minimum(math.log1p(within), np.minimum(np.append(apart, np.inf), np.insert(apart, 0, np.inf)))
    gears = np.where(rolls & (np.abs(ratio - turns[nearest]) <= most[nearest]), nearest + 1.0, 0.0)
    edges = np.flatnonzero(np.concatenate([[True], np.diff(gears) != 0.0, [True]]))
    for a, b in itertools.pairwise(edges):
        # A piece that is shorter itself cannot show that a gear stays.
        if time[b - 1] - time[a] < STAYS:
            gears[a:b] = 0.0
    return np.where(gears > 0.0, gears, np.nan), rolls
