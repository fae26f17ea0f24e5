"""A torque converter that locks and unlocks: engine speed swings by its slip, road speed and pedal do not. That is no surge of the driveline."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from .drive_log import DriveLog
from .gear_seen import LOCKED_WITHIN
from .manoeuvres import ROLLS, Manoeuvre, ManoeuvreKind
from .signals import amplitude_of, swing_of
from .spans import rows_between
from .surge_finder import SurgeEpisode, SurgeFindings

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["slip_of", "without_converter"]

Array = NDArray[np.float64]
Span = tuple[float, float]

# A lock-up clutch cycles at this frequency [Hz] at most, below any driveline's own: it fills and empties in some tenths of a second. ESTIMATE.
CYCLES_BELOW = 1.5
# Between locked and open the slip moves by this at least; a swing about the gear, which is surge, goes below it in more than this share of the rows.
# ESTIMATE.
SLIPS, BELOW_GEAR = 0.015, 0.1
# The pedal is steady within this amplitude of its travel; road speed keeps level if its swing, over its mean, is this share of the engine's. ESTIMATE.
STEADY, ROAD_SHARE = 0.01, 0.3
# Road speed is taken as its mean over so long [s]: it is logged in coarse steps, and a car has no quick ones. ESTIMATE.
ROAD_OVER = 1.0


def without_converter(log: DriveLog, findings: SurgeFindings, build: Build) -> SurgeFindings:
    """Return the findings with swings that a converter makes by locking and unlocking told as such, among what is not the table's doing.

    That time is no steady driving, so it is not looked at; nor is a swing in it called rough burning.

    Parameters
    ----------
    log : DriveLog
    findings : SurgeFindings
        Of this log.
    build : Build
        Whose gear ratios, final drive and tyres tell slip; nothing changes where its car has no converter.
    """
    if build.vehicle.transmission != "converter" or not log.values("road_speed").size:
        return findings
    told = [e for e in findings.episodes if _is_converter(log, e, build)]
    if not told:
        return findings
    surge = tuple(e for e in findings.episodes if e not in told)
    spans = [(float(e.si.start), float(e.si.end)) for e in told]
    windows = tuple(_less(findings.windows, spans))
    found = [Manoeuvre(kind=ManoeuvreKind.CONVERTER, start=e.si.start, end=e.si.end) for e in told]
    return findings.replace(
        episodes=surge,
        combustion=tuple(e for e in findings.combustion if not _mostly_in(e, spans)),
        windows=windows,
        looked_at=sum(end - start for start, end in windows),
        manoeuvres=tuple(sorted([*findings.manoeuvres, *found], key=lambda one: float(one.si.start))),
        surging=sum(e.si.end - e.si.start for e in surge),
    )


def _less(windows: Iterable[Span], spans: list[Span]) -> Iterator[Span]:
    """Return the parts of windows outside some spans [s]."""
    for start, end in windows:
        begin = start
        for a, b in sorted(spans):
            if a < end and b > begin:
                if a > begin:
                    yield begin, a
                begin = max(begin, b)
        if begin < end:
            yield begin, end


def _mostly_in(episode: SurgeEpisode, spans: list[Span]) -> bool:
    """Whether more than half of an episode lies within some spans [s]."""
    start, end = float(episode.si.start), float(episode.si.end)
    return sum(max(min(end, b) - max(start, a), 0.0) for a, b in spans) > 0.5 * (end - start)


def slip_of(speed: Array, road: Array, turns: Array, step: float) -> Array:
    """Return the slip of a converter, over the speed behind it: zero where it is locked; not-a-number where no gear fits.

    Parameters
    ----------
    speed : array, shape (n,) [rev/s]
        Of the engine.
    road : array, shape (n,) [m/s]
    turns : array, shape (gears,) [1/m]
        Crank revolutions for each metre of road, in each gear, locked.
    step : float [s]
        Between rows.

    Examples
    --------
    >>> slip_of(np.array([20.0, 20.0, 21.0, 21.0]), np.full(4, 20.0), np.array([2.0, 1.0]), 0.1).round(6).tolist()
    [0.0, 0.0, 0.05, 0.05]
    """
    ratio = speed / uniform_filter1d(road, max(round(ROAD_OVER / step), 1), mode="nearest")
    locked = float(np.quantile(ratio, 0.1))
    off = locked / turns - 1.0
    gear = int(np.argmin(np.abs(off)))
    return ratio / turns[gear] - 1.0 if abs(off[gear]) <= LOCKED_WITHIN else np.full(len(ratio), np.nan)


def _is_converter(log: DriveLog, episode: SurgeEpisode, build: Build) -> bool:
    vehicle, si = build.vehicle, episode.si
    rows = rows_between(log.si.time, si.start, si.end)
    speed, road = log.si.speed[rows], log.si.road_speed[rows]
    if not si.frequency <= CYCLES_BELOW or not np.isfinite(road).all() or road.min() < ROLLS:
        return False
    about: dict[str, Any] = {"start": float(si.start), "end": float(si.end), "low": 0.5 * float(si.frequency), "high": 2.0 * float(si.frequency)}
    if log.values("pedal").size and not amplitude_of(swing_of(log, "pedal", **about)) <= STEADY:
        return False
    if amplitude_of(swing_of(log, "road_speed", **about)) / road.mean() > ROAD_SHARE * si.speed_amplitude / si.speed:
        return False
    turns = np.array(vehicle.gear_ratios) * vehicle.final_drive / (2.0 * math.pi * vehicle.si.tyre_radius)
    slip = slip_of(speed, road, turns, 1.0 / log.si.sampling_rate)
    locked, open_ = np.quantile(slip, [0.1, 0.9])
    # About the locked gear a surge swings to both sides; a converter slips to one.
    return bool(open_ - locked >= SLIPS and np.mean(slip < -SLIPS / 2.0) <= BELOW_GEAR)
