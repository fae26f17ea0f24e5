"""The cause of each episode by what would take most off its swing; where a log does not tell which, the drive that does."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..engine.geometry import geometry_of
from ..tables.table import SparkTable
from ..vehicle.driveline import driveline_of
from .causes import ROCKS_BELOW, Cause, CauseNote, DriveToTell, SurgeCause
from .delays import EXPLAINS, DelayNote, SignalDelays, shifted
from .drive_log import DriveLog
from .signals import band_pass, stretches
from .surge_finder import LEAST_SPARK, SurgeEpisode, SurgeFindings
from .swing_mode import Belief
from .swing_parts import SparkParts, blocks_of, groups_of
from .taken_away import ANY_CAR, Remedy, TakenAway, Weighed, taken_away, weighed

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["OWNS", "belief_of", "cause_of", "ranked", "shares_of_episodes"]

Array = NDArray[np.float64]

# A cause is named where it comes first in so many of the draws: nine of ten, as the bands beside it. Two of three was tried: of an independent car's
# logs it was right in 32 of 37 that were named, and this in 29 of 31. Where fewer agree the log does not tell the causes apart.
SURE = 0.9
# Where the delay of load is not told the causes must be the same with each of these [s] that the forcing does not speak against. ESTIMATE.
UNSURE = (-0.06, 0.06, 0.12, 0.18)
# A table that decides less of the swing is not to be changed for it: as the task of a review says, a fifth.
OWNS = 0.2
# Spark by a table that swings by no more than this share of the logged spark is a flat table, whether it explains anything or not. ESTIMATE.
FLAT = 0.3
# From this share of what moves in spark on the table counts as setting a part of it; ESTIMATE.
SETS_SOME = 0.3
# With a sheet the inertia is known and, with its engine, the torque of a degree; to these factors, one standard deviation. ESTIMATE.
BY_SHEET, BY_ENGINE = 2.0, 1.3
# Torque of a degree at light load where no engine model says it [N m per crank deg and m3 of displacement]: 0.5 for each litre. ESTIMATE.
USUAL_TORQUE = 500.0
# Drives that tell last between these [s], so that what is asked for stands out twice over chance; the swing is taken to die at this rate at least [1/s].
SHORTEST, LONGEST, DIES = 20.0, 180.0, 0.5
# No less a difference is asked of such a drive: a share of the swing.
LEAST_ASKED = 0.2


def belief_of(build: Build | None, gear: float, per_degree: float) -> Belief:
    """Return what is known of a car before its log is looked at.

    Parameters
    ----------
    build : Build or None
    gear : float
        Counted from 1; not-a-number where it is not known.
    per_degree : float [N m per crank deg]
        Torque of a degree of spark; not-a-number where no engine says it.
    """
    if build is None or not (math.isfinite(gear) and 1 <= gear <= len(build.vehicle.gear_ratios)):
        return ANY_CAR
    line = driveline_of(build, int(gear))
    inertia = line.engine_inertia / line.ratio**2 * (1.0 + line.engine_inertia / line.load_inertia)
    known = math.isfinite(per_degree) and per_degree > 0.0
    torque = per_degree if known else USUAL_TORQUE * geometry_of(build.engine).displacement
    return Belief(ANY_CAR.damping, (torque / inertia / (2.0 * math.pi), BY_ENGINE if known else BY_SHEET))


def shares_of_episodes(
    log: DriveLog,
    findings: SurgeFindings,
    table: SparkTable | None,
    delays: SignalDelays,
    *,
    build: Build | None = None,
    torque_per_degree: Callable[[Any, Any], Any] | None = None,
) -> list[tuple[TakenAway, ...]]:
    """Return for each episode what would be taken off its swing, most first; empty where that is not told.

    Parameters
    ----------
    log : DriveLog
    findings : SurgeFindings
    table : SparkTable or None
    delays : SignalDelays
        Removed first.
    build : Build
        Whose inertia counts.
    torque_per_degree : callable
        Torque per degree of spark [N m per crank deg] at a speed [rev/s] and load.
    """
    out: list[tuple[TakenAway, ...]] = [()] * len(findings.episodes)
    if not log.values("spark").size:
        return out
    apart = _apart(log, findings, table, delays)
    unsure = apart.table is not None and delays.load_note is DelayNote.NOT_TOLD
    tried = [delays] + ([delays.replace(load=late) for late in UNSURE] if unsure else [])
    for group in groups_of(findings):
        worst = findings.episodes[max(group.episodes, key=lambda k: findings.episodes[k].si.speed_amplitude)]
        asked = torque_per_degree is not None and math.isfinite(worst.mean_load)
        per_degree = float(torque_per_degree(worst.si.speed, worst.mean_load)) if asked and torque_per_degree is not None else math.nan
        belief = belief_of(build, group.gear, per_degree)
        found = _likely([weighed(blocks_of(log, findings, group, one, apart), group.frequency, belief) for one in tried])
        for k in group.episodes:
            span = findings.episodes[k].si.start, findings.episodes[k].si.end
            each = [taken_away(one, *span, _remedies(apart), group.frequency) for one in found]
            out[k] = _together(each) if each and all(each) else ()
    return out


def _likely(found: Sequence[Weighed | None]) -> list[Weighed]:
    """Return those in which spark that comes by itself forces the swing in phase, as closely as in the best, and the best first."""
    there = sorted((one for one in found if one is not None), key=lambda one: -one.in_phase)
    return [one for one in there if one.in_phase >= there[0].in_phase - one.chance]


def _together(each: Sequence[tuple[TakenAway, ...]]) -> tuple[TakenAway, ...]:
    """Return what the first says, with bands and doubts of all: where a delay is not told others may hold."""
    if len(each) == 1:
        return each[0]
    out = []
    for one in each[0]:
        same = [other for taken in each for other in taken if other.remedy is one.remedy]
        first = sum(other.first for other in same) / len(same)
        out.append(one.replace(low=min(other.low for other in same), high=max(other.high for other in same), first=first))
    return tuple(out)


def _remedies(apart: SparkParts) -> dict[Remedy, tuple[str, ...]]:
    out: dict[Remedy, tuple[str, ...]] = {}
    if apart.table is not None:
        out[Remedy.TABLE_LEVEL] = ("by_speed", "by_load")
    if apart.knock:
        out[Remedy.KNOCK_RETARD_FROZEN] = ("knock",)
    if not apart.table_alone:
        out[Remedy.SPARK_LEVEL if apart.table is None else Remedy.CORRECTION_FROZEN] = ("rest",)
    return out


def _apart(log: DriveLog, findings: SurgeFindings, table: SparkTable | None, delays: SignalDelays) -> SparkParts:
    """Return what spark is taken apart by."""
    knock = log.values("knock_retard")
    moved = knock[np.isfinite(knock)] if knock.size else np.empty(0)
    sign = 0.0 if not moved.any() else (-1.0 if float(moved.sum()) > 0.0 else 1.0)
    if table is None or not log.loads.size or not findings.episodes:
        return SparkParts(knock=sign)
    sets = delays.explained >= SETS_SOME or _looks_flat(log, findings, table, delays)
    alone = delays.spark_note is DelayNote.NOT_TOLD and delays.explained >= EXPLAINS
    return SparkParts(table if sets else None, alone, sign)


def _looks_flat(log: DriveLog, findings: SurgeFindings, table: SparkTable, delays: SignalDelays) -> bool:
    """Whether the table would hardly swing where it surges hardest, beside the logged spark or by itself."""
    worst = max(findings.episodes, key=lambda e: float(e.si.end - e.si.start))
    by_table = logged = 0.0
    for part in stretches(log, "speed", "load", "spark", within=(worst.si.start, worst.si.end)):
        load = shifted(part.values["load"], part.step, delays.si.load)
        inside = (part.time >= worst.si.start) & (part.time <= worst.si.end)
        by_table += float(np.sum(band_pass(np.asarray(table.spark_at(part.values["speed"], load)), part.step, 0.5, 16.0)[inside] ** 2)) / inside.size
        logged += float(np.sum(band_pass(part.values["spark"], part.step, 0.5, 16.0)[inside] ** 2)) / inside.size
    return by_table <= max(FLAT**2 * logged, 0.5 * LEAST_SPARK**2)


def ranked(cause: SurgeCause, episode: SurgeEpisode, taken: Sequence[TakenAway]) -> SurgeCause:
    """Return a cause as what would take most off the swing, with what spark follows beside it.

    Parameters
    ----------
    cause : SurgeCause
        What spark follows.
    episode : SurgeEpisode
    taken : sequence of TakenAway
        Of the episode, most first.
    """
    if cause.cause in (Cause.DRIVER, Cause.NO_SPARK):
        return cause
    if not taken:
        return cause.replace(follows=cause.cause, notes=(*cause.notes, CauseNote.SHARE_NOT_TOLD))
    tables = [one for one in taken if one.remedy is Remedy.TABLE_LEVEL]
    share, low = (tables[0].share, tables[0].low) if tables else (0.0, 0.0)
    notes = [note for note in cause.notes if note is not CauseNote.NOT_IN_A_LOG]
    notes += [CauseNote.DAMPS] if tables and tables[0].high < 0.0 and share <= -OWNS else []
    first = taken[0]
    # Faster than a foot rocks by itself a pedal may follow the car as well as shake it: the log shows both alike.
    moved = first.remedy is Remedy.PEDAL_HELD and episode.si.frequency > ROCKS_BELOW
    if first.first < SURE or moved:
        hold = first.remedy if first.remedy is not Remedy.BURN_HALVED else next((one.remedy for one in taken if one is not first), first.remedy)
        named: Cause = Cause.NOT_TOLD
        to_tell = _drive(hold, episode, first.share)
    else:
        named, to_tell = cause_of(first.remedy, cause.cause), None
    return cause.replace(
        cause=named, follows=cause.cause, taken=tuple(taken), table_share=share, table_owns=share >= OWNS and low > 0.0, to_tell=to_tell, notes=tuple(notes)
    )


def cause_of(remedy: Remedy, follows: Cause) -> Cause:
    """Return the cause that a remedy takes away, where spark follows something."""
    match remedy:
        case Remedy.TABLE_LEVEL:
            return Cause.TABLE
        case Remedy.BURN_HALVED:
            return Cause.BURN
        case Remedy.PEDAL_HELD:
            return Cause.DRIVER
        case Remedy.KNOCK_RETARD_FROZEN:
            return Cause.KNOCK_RETARD
        case _:
            return follows if follows in (Cause.IDLE_CORRECTION, Cause.ANOTHER_TABLE, Cause.NO_TABLE, Cause.KNOCK_RETARD) else Cause.UNKNOWN


def _drive(hold: Remedy, episode: SurgeEpisode, share: float) -> DriveToTell:
    """Return the drive that tells: so long that the swing with and without differ by twice what chance gives (textbook, a narrow band's r.m.s.)."""
    differs = -math.log1p(-min(max(share, LEAST_ASKED), 0.9))
    lasts = min(max(2.0 / DIES / differs**2, SHORTEST), LONGEST)
    return DriveToTell(hold=hold, gear=episode.gear, speed=episode.si.speed, lasts=10.0 * math.ceil(lasts / 10.0))
