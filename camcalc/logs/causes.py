"""Why it surges: whether the spark table explains the swing of the spark, or the spark is flat, or something else moves it.

Final spark is logged: the table plus every correction.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..codes import AppliesTo, Code
from ..errors import InputError
from ..results import Measure, Record, measure
from ..tables.table import SparkTable
from .delays import SignalDelays, shifted
from .drive_log import DriveLog
from .manoeuvres import closed_pedal
from .signals import LOWEST, Stretch, amplitude_of, band_pass, highest_frequency, stretches, swing_of
from .spans import rows_between
from .surge_finder import AROUND, LEAST_SPARK, SurgeEpisode
from .taken_away import PEDAL_MOVES, Remedy, TakenAway

__all__ = ["Cause", "CauseNote", "CellStep", "DriveToTell", "SurgeCause", "cell_weights", "explain_episode"]

Array = NDArray[np.float64]

# Share of the spark's swing that a cause must account for to be named; ESTIMATE.
EXPLAINS = 0.7
# An offset below this [crank deg] is rounding; ESTIMATE.
OFFSET = 0.5
# Spark and speed may be logged so far apart [s]: computer and logger take turns. ESTIMATE.
LAG = 0.06
# Time constants [s] tried for what an idle correction does with the speed error. ESTIMATE.
CORRECTION_LAGS = (0.0, 0.03, 0.06, 0.1, 0.15, 0.25, 0.4)
# An idle correction works with a closed pedal, or below this speed [rev/s] where no pedal is logged: 1200 rpm. ESTIMATE.
IDLE_BELOW = 1200.0 / 60.0
# A cell counts as walked over from this share of the bilinear weight; ESTIMATE.
WALKED = 0.03
# A load that swings by more of its mean is suspect: blow-back moves the reading, not only the charge. ESTIMATE.
SUSPECT_LOAD = 0.03


# A driver rocks the pedal at this frequency [Hz] at most, by ``PEDAL_MOVES`` of its travel at least: slower than any gear of a driveline. A swing of
# speed is the pedal's if this share of its power follows pedal and pedal rate. ESTIMATE.
ROCKS_BELOW, FOLLOWS_PEDAL = 1.5, 0.7


class Cause(Code):
    """Why an episode surges."""

    TABLE = "the table: spark follows its slope"
    DRIVER = "the driver: the pedal rocks at the same frequency"
    BURN = "burn or fuel: spark is flat, so table work does not help"
    IDLE_CORRECTION = "an idle correction: spark follows the speed error"
    KNOCK_RETARD = "knock retard: spark follows it"
    ANOTHER_TABLE = "another table: spark follows speed and load, but not by this table"
    UNKNOWN = "not seen in the log"
    NO_SPARK = "spark was not logged"
    NO_TABLE = "no table was given"
    NOT_TOLD = "this log does not show the cause"


class CauseNote(Code):
    """What else the log shows about an episode; the figures are fields of ``SurgeCause``."""

    NOT_IN_CHARGE = "this table would swing there and the logged spark does not: it does not set the spark"
    OTHER_FREQUENCIES = "spark is flat at this frequency only: it moves at others, which do not shake the car"
    NOT_IN_A_LOG = "a log cannot show whether a level table is quieter"
    OFFSET = "logged spark lies apart from the table throughout: a correction, to be counted against any ceiling"
    LOAD_SUSPECT = "logged load swings: under reversion the reading is suspect, the charge itself may swing less"
    MOSTLY_BY_LOAD = "most of the table's swing comes by way of load: a steadier load signal helps as much as a flatter table"
    NEVER_TOGETHER = "spark, speed and load are never all there during the episode"
    IDLE_GAIN = "spark rises as speed falls"
    TABLE_SHARE = "the table accounts for a part only"
    LOAD_NOT_LOGGED = "load was not logged: the table cannot be looked up"
    SHARE_NOT_TOLD = "what the swing would lose is not told: its frequency is not resolved or it is too short"
    DAMPS = "the table damps this swing: level it would swing further"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class DriveToTell(Record):
    """A drive that tells what a log does not: in this gear (not-a-number for any), at this speed, so long, once as it is and once with something held."""

    hold: Remedy
    gear: float
    speed: Measure = measure("crank_rps", "rpm")
    lasts: Measure = measure("s", doc="steady driving, each of the two times")


class CellStep(NamedTuple):
    """Two neighbouring cells that the surge crosses: rows and columns from 0, their speeds and loads, and their step [crank deg]."""

    one: tuple[int, int]
    other: tuple[int, int]
    places: tuple[str, str]
    step: float


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SurgeCause(Record):
    """Why one episode surges. Amplitudes are those of the sine with the same r.m.s.

    The cause is what would take most off the swing, of what ``taken`` ranks; ``follows`` is what spark follows, whether that shakes the car or not.
    ``table_share`` is what a level table would take away, not-a-number where that is not told,
    and ``table_owns`` whether that is a fifth or more, all of its band above nothing. ``to_tell`` is the drive that settles a doubt.

    ``explained`` is the share of the spark's swing that the cause accounts for, ``table_explained`` the share that the table would where the cause
    is another. ``load_swing`` is the load's own from peak to peak, in the inner unit of ``load_kind``.
    """

    cause: Cause
    explained: float
    spark_amplitude: Measure = measure("crank_deg", doc="as logged")
    table_amplitude: Measure = measure("crank_deg", doc="of the table, looked up at logged speed and load")
    by_speed: Measure = measure("crank_deg", doc="of that, with load held")
    by_load: Measure = measure("crank_deg", doc="of that, with speed held")
    offset: Measure = measure("crank_deg", doc="logged spark above the table's, in the middle")
    steps: tuple[CellStep, ...] = ()
    torque_swing: Measure = measure("N*m", doc="peak to peak, from the spark's swing")
    table_explained: float = math.nan
    other_amplitude: Measure = measure("crank_deg", doc="of the spark at other frequencies, which do not shake the car")
    idle_gain: Measure = measure("crank_deg/crank_rps", "crank_deg/krpm", doc="spark added as speed falls, where that is the cause")
    load_kind: str = ""
    load_swing: float = math.nan
    taken: tuple[TakenAway, ...] = ()
    table_share: float = math.nan
    table_owns: bool = False
    follows: Cause | None = None
    to_tell: DriveToTell | None = None
    notes: tuple[CauseNote, ...] = ()
    applies_to: AppliesTo = AppliesTo.FINAL_SPARK

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return super().to_dict() | {"steps": [{"cells": list(s.places), "step": {"value": s.step, "unit": "crank_deg"}} for s in self.steps]}


def explain_episode(
    log: DriveLog,
    episode: SurgeEpisode,
    table: SparkTable | None = None,
    *,
    torque_per_degree: Callable[[Any, Any], Any] | None = None,
    closed: NDArray[np.bool_] | None = None,
    delays: SignalDelays | None = None,
) -> SurgeCause:
    """Say what spark follows in one episode; ``cause_shares.ranked`` weighs that by what it does to the swing.

    Parameters
    ----------
    log : DriveLog
    episode : SurgeEpisode
        One that was found in this log.
    table : SparkTable, optional
        The table that was in the car.
    torque_per_degree : callable, optional
        Torque per degree of spark [N m per crank deg] at a speed [rev/s] and load [inner unit of the table's load].
    closed : mask, shape (n,), optional
        The log's rows with a closed pedal, ``closed_pedal(log)``; found when left out, which takes the whole log for each episode.
    delays : SignalDelays, optional
        How late spark and load are written, removed first; none when left out.

    Raises
    ------
    InputError
        If log and table do not have the same kind of load.

    Notes
    -----
    Swings are those between 0.5 Hz and what the sampling allows, s of the logged spark and t of the table looked up at logged speed and
    load. The share explained is ``1 - sum (s - t)^2 / sum s^2``, at the best lag within 60 ms. What the table leaves is held against the
    speed error through a first-order lag, against knock retard, and against a function of speed and load.
    """
    if _driver_rocks(log, episode):
        return _cause(Cause.DRIVER, episode)
    if not math.isfinite(episode.si.spark_amplitude):
        return _cause(Cause.NO_SPARK, episode)
    if table is not None and log.load_kind and table.load_kind != log.load_kind:
        raise InputError(
            "load of the log", came=log.load_kind, expected=f"{table.load_kind}, as in the table", fix="log the load that the table is looked up by"
        )
    channels = ["speed", "spark"] + (["load"] if log.loads.size else []) + (["knock_retard"] if log.values("knock_retard").size else [])
    parts = [_Part(log, stretch, episode) for stretch in stretches(log, *channels, shortest=1.0, within=(episode.si.start, episode.si.end))]
    parts = [part for part in parts if part.inside.any()]
    found = _looked_up(parts, table, delays) if table is not None and log.loads.size and parts else {}
    notes = _load_notes(episode, found)
    if found and torque_per_degree is not None:
        per_degree = float(torque_per_degree(episode.si.speed, episode.mean_load))
        found["torque_swing"] = 2.0 * per_degree * episode.si.spark_amplitude
    if episode.si.spark_amplitude < LEAST_SPARK:
        if found.get("table_amplitude", 0.0) > 2.0 * LEAST_SPARK:
            # A flat spark under a table that is not flat: something overrides the table.
            notes.append(CauseNote.NOT_IN_CHARGE)
        beside = amplitude_of(np.concatenate([np.empty(0), *(part.of("spark")[part.inside] for part in parts)]))
        if beside > LEAST_SPARK:
            notes.append(CauseNote.OTHER_FREQUENCIES)
            found["other_amplitude"] = beside
        return _cause(Cause.BURN, episode, found, [*(_offset_notes(found) if "offset" in found else []), *notes])
    if found and found["explained"] >= EXPLAINS:
        return _cause(Cause.TABLE, episode, found, [*_offset_notes(found), *notes, CauseNote.NOT_IN_A_LOG])
    pattern = _pattern(log, parts, episode, bool(found), closed)
    more = list(pattern.notes)
    if found:
        more.append(CauseNote.TABLE_SHARE)
        found["table_explained"] = found["explained"]
    elif log.loads.size == 0:
        more.append(CauseNote.LOAD_NOT_LOGGED)
    return _cause(pattern.cause, episode, found | {"explained": pattern.share, "idle_gain": pattern.idle_gain}, [*more, *notes])


def cell_weights(log: DriveLog, table: SparkTable, spans: list[tuple[float, float]] | tuple[tuple[float, float], ...]) -> Array:
    """Return how much each cell of a table takes part in the lookup during some spans of time [s]: seconds, summed over rows."""
    good = np.isfinite(log.si.speed) & np.isfinite(log.loads) if log.loads.size else np.zeros(len(log.si.time), dtype=bool)
    inside = np.zeros(len(log.si.time), dtype=bool)
    for start, end in spans:
        inside[np.searchsorted(log.si.time, start) : np.searchsorted(log.si.time, end, side="right")] = True
    speed, load = log.si.speed[good & inside], log.loads[inside & good] if log.loads.size else np.empty(0)
    return _looked_up_at(table, speed, load) / log.si.sampling_rate


def _looked_up_at(table: SparkTable, speed: Array, load: Array) -> Array:
    """Return how much each cell takes part in the lookup at some points, summed."""
    (i, below), (_, above) = shares_of(table.si.speed, speed)
    (j, lighter), (_, fuller) = shares_of(table.loads, load)
    width, out = table.shape[1], np.zeros(table.shape[0] * table.shape[1])
    at = i * width + j
    for step, share in ((0, below * lighter), (1, below * fuller), (width, above * lighter), (width + 1, above * fuller)):
        out[step:] += np.bincount(at, share, out.size)[: out.size - step]
    return out.reshape(table.shape)


def shares_of(axis: Array, values: Array) -> list[tuple[NDArray[np.int64], Array]]:
    """Return the two breakpoints of an axis that each value is looked up between, with their shares."""
    below = np.minimum(np.maximum(axis.searchsorted(values, side="right") - 1, 0), len(axis) - 2)
    share = np.minimum(np.maximum((values - axis[below]) / (axis[1:] - axis[:-1])[below], 0.0), 1.0)
    return [(below, 1.0 - share), (below + 1, share)]


class _Part:
    """One stretch of the log around an episode: swings of its channels, and which samples lie in the episode."""

    def __init__(self, log: DriveLog, stretch: Stretch, episode: SurgeEpisode) -> None:
        self.stretch, self.high = stretch, highest_frequency(log)
        self.inside = (stretch.time >= episode.si.start) & (stretch.time <= episode.si.end)

    def swing(self, values: Array) -> Array:
        """What swings in values on the stretch's grid, all of it; several channels a row each."""
        return band_pass(values, self.stretch.step, LOWEST, self.high)

    def of(self, channel: str) -> Array:
        """What swings in a channel."""
        return self.swing(self.stretch.values[channel])


def _looked_up(parts: list[_Part], table: SparkTable, delays: SignalDelays | None) -> dict[str, Any]:
    """Return what the table says about the episode."""
    late, later = (0.0, 0.0) if delays is None else (delays.si.spark, delays.si.load)
    spark, tables, by_speed, by_load, offset, weights = [], [], [], [], [], np.zeros(table.shape)
    lags = range(-max(1, round(LAG / parts[0].stretch.step)), max(1, round(LAG / parts[0].stretch.step)) + 1)
    for part in parts:
        step, inside, speed = part.stretch.step, part.inside, part.stretch.values["speed"]
        load, own_spark = shifted(part.stretch.values["load"], step, later), shifted(part.stretch.values["spark"], step, late)
        found = table.spark_at(speed, load)
        own_swing, swing, speed_swing, load_swing = part.swing(np.stack([own_spark, found, speed, load]))
        spark.append(own_swing[inside])
        tables.append([np.roll(swing, lag)[inside] for lag in lags])
        of_speed, of_load = part.swing(table.spark_at(np.stack([speed, speed - speed_swing]), np.stack([load - load_swing, load])))
        by_speed.append(of_speed[inside])
        by_load.append(of_load[inside])
        offset.append((own_spark - found)[inside])
        weights += _looked_up_at(table, speed[inside], load[inside])
    own = np.concatenate(spark)
    of_lags = [np.concatenate([t[k] for t in tables]) for k in range(len(lags))]
    best = min(of_lags, key=lambda t: float(np.sum((own - t) ** 2)))
    return {
        "explained": _share(own, best),
        "table_amplitude": amplitude_of(best),
        "by_speed": amplitude_of(np.concatenate(by_speed)),
        "by_load": amplitude_of(np.concatenate(by_load)),
        "offset": float(np.median(np.concatenate(offset))),
        "steps": _steps(table, weights / max(weights.sum(), 1e-12)),
    }


def _share(own: Array, by: Array) -> float:
    whole = float(np.sum(own**2))
    return 1.0 - float(np.sum((own - by) ** 2)) / whole if whole > 0.0 else math.nan


def _steps(table: SparkTable, weights: Array, most: int = 5) -> tuple[CellStep, ...]:
    """Return the steps between neighbours that are both walked over, steepest first; level ones left out."""
    walked = weights >= WALKED
    out = []
    for down in (True, False):
        both = walked[1:] & walked[:-1] if down else walked[:, 1:] & walked[:, :-1]
        for i, j in np.argwhere(both):
            one, other = (int(i), int(j)), (int(i) + down, int(j) + (not down))
            step = float(table.si.cells[other] - table.si.cells[one])
            if step != 0.0:
                out.append(CellStep(one, other, (table.place(*one), table.place(*other)), step))
    return tuple(sorted(out, key=lambda s: -abs(s.step))[:most])


def _driver_rocks(log: DriveLog, episode: SurgeEpisode) -> bool:
    """Whether the pedal rocks as slowly as only a foot does, and engine speed with it."""
    frequency = episode.si.frequency
    if not log.values("pedal").size or not frequency <= ROCKS_BELOW:
        return False
    about: dict[str, Any] = {"start": episode.si.start, "end": episode.si.end, "low": (1.0 - AROUND) * frequency, "high": (1.0 + AROUND) * frequency}
    speed, pedal, rate = swing_of(log, "speed", **about), swing_of(log, "pedal", **about), swing_of(log, "pedal", derivative=True, **about)
    if len(pedal) != len(speed) or amplitude_of(pedal) < PEDAL_MOVES:
        return False
    design = np.column_stack([pedal, rate])
    return _share(speed, design @ np.linalg.lstsq(design, speed, rcond=None)[0]) >= FOLLOWS_PEDAL


class _Pattern(NamedTuple):
    """What else moves the spark, the share it accounts for, the spark that it adds as speed falls [crank deg per rev/s]."""

    cause: Cause
    share: float
    notes: tuple[CauseNote, ...] = ()
    idle_gain: float = math.nan


def _pattern(log: DriveLog, parts: list[_Part], episode: SurgeEpisode, has_table: bool, closed: NDArray[np.bool_] | None) -> _Pattern:
    """Return what else moves the spark, and the share it accounts for.

    Parameters
    ----------
    log : DriveLog
    parts : list
        The stretches around the episode.
    episode : SurgeEpisode
    has_table : bool
        Whether a table was looked up and did not explain it.
    closed : mask, shape (n,), or None
        The log's rows with a closed pedal, where they are known.
    """
    other = Cause.UNKNOWN if has_table else Cause.NO_TABLE
    spark = np.concatenate([part.of("spark")[part.inside] for part in parts]) if parts else np.empty(0)
    if not spark.size:
        return _Pattern(other, math.nan, (CauseNote.NEVER_TOGETHER,))
    if "knock_retard" in parts[0].stretch.values:
        knock = np.concatenate([part.of("knock_retard")[part.inside] for part in parts])
        slope, share = _fit(spark, knock)
        if share >= EXPLAINS and 0.5 < abs(slope) < 1.5:
            return _Pattern(Cause.KNOCK_RETARD, share)
    slope, share = _speed_error(parts, spark)
    if share >= EXPLAINS and slope < 0.0 and _idling(log, episode, closed):
        return _Pattern(Cause.IDLE_CORRECTION, share, (CauseNote.IDLE_GAIN,), -slope)
    by_both = _by_speed_and_load(parts, spark)
    if by_both >= EXPLAINS:
        return _Pattern(Cause.ANOTHER_TABLE if has_table else Cause.NO_TABLE, by_both)
    return _Pattern(other, max(share, by_both))


def _fit(spark: Array, by: Array) -> tuple[float, float]:
    power = float(np.sum(by**2))
    slope = float(np.sum(spark * by)) / power if power > 0.0 else 0.0
    return slope, _share(spark, slope * by)


def _speed_error(parts: list[_Part], spark: Array) -> tuple[float, float]:
    """Return how spark follows speed through a first-order lag: slope [crank deg per rev/s] and share, at the best lag."""
    best = (0.0, -math.inf)
    for lag in CORRECTION_LAGS:
        by = np.concatenate([_lagged(part.of("speed"), part.stretch.step, lag)[part.inside] for part in parts])
        best = max(best, _fit(spark, by), key=lambda found: found[1])
    return best


def _lagged(values: Array, step: float, lag: float) -> Array:
    spectrum = np.fft.rfft(values, 2 * len(values))
    return np.asarray(np.fft.irfft(spectrum / (1.0 + 2j * np.pi * np.fft.rfftfreq(2 * len(values), step) * lag), 2 * len(values))[: len(values)])


def _idling(log: DriveLog, episode: SurgeEpisode, closed: NDArray[np.bool_] | None) -> bool:
    if not log.values("pedal").size:
        return bool(episode.si.speed < IDLE_BELOW)
    rows = rows_between(log.si.time, episode.si.start, episode.si.end)
    return bool((closed_pedal(log) if closed is None else closed)[rows].mean() > 0.5)


def _by_speed_and_load(parts: list[_Part], spark: Array) -> float:
    """Return the share that a smooth function of speed and load accounts for: their powers up to the third, and their product."""
    names = [name for name in ("speed", "load") if name in parts[0].stretch.values]
    powers = [(n, k) for n in names for k in (1, 2, 3)]
    columns: list[list[Array]] = []
    for part in parts:
        scaled = {n: part.stretch.values[n] / np.mean(part.stretch.values[n]) - 1.0 for n in names}
        terms = [scaled[n] ** k for n, k in powers] + ([scaled["speed"] * scaled["load"]] if len(names) == 2 else [])
        columns.append([part.swing(term)[part.inside] for term in terms])
    design = np.concatenate([np.column_stack(found) for found in columns])
    weights = np.linalg.lstsq(design, spark, rcond=1e-8)[0]
    return _share(spark, design @ weights)


def _load_notes(episode: SurgeEpisode, found: dict[str, Any]) -> list[CauseNote]:
    notes = []
    if episode.mean_load > 0.0 and episode.load_amplitude > SUSPECT_LOAD * episode.mean_load:
        notes.append(CauseNote.LOAD_SUSPECT)
    if found and found["by_load"] > found["by_speed"] and found["by_load"] > LEAST_SPARK:
        notes.append(CauseNote.MOSTLY_BY_LOAD)
    return notes


def _offset_notes(found: dict[str, Any]) -> list[CauseNote]:
    return [CauseNote.OFFSET] if abs(found["offset"]) > OFFSET else []


def _cause(cause: Cause, episode: SurgeEpisode, found: dict[str, Any] | None = None, notes: list[CauseNote] | None = None) -> SurgeCause:
    fields: dict[str, Any] = dict.fromkeys(("table_amplitude", "by_speed", "by_load", "offset", "torque_swing", "other_amplitude", "idle_gain"))
    fields |= {"explained": math.nan} | (found or {})
    if cause is Cause.BURN:
        fields["explained"] = math.nan
    if cause is not Cause.TABLE:
        fields["steps"] = ()
    load: dict[str, Any] = {"load_kind": episode.load_kind, "load_swing": 2.0 * episode.load_amplitude}
    return SurgeCause(cause=cause, spark_amplitude=episode.si.spark_amplitude, notes=tuple(notes or ()), **load, **fields)
