"""Why it surges: whether the spark table explains the swing of the spark, or the spark is flat, or something else moves it.

FINAL spark is what is logged: table plus every adder.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..results import Measure, Record, measure
from ..tables.axes import LOADS
from ..tables.table import SparkTable
from ..units import factor
from .drive_log import DriveLog
from .manoeuvres import closed_pedal
from .signals import LOWEST, Stretch, amplitude_of, band_pass, highest_frequency, stretches
from .surge_finder import LEAST_SPARK, SurgeEpisode

__all__ = ["ANOTHER_TABLE", "BURN", "FINAL_SPARK", "IDLE_CORRECTION", "KNOCK", "TABLE", "CellStep", "SurgeCause", "cell_weights", "explain_episode"]

Array = NDArray[np.float64]

FINAL_SPARK = "FINAL spark: table plus every adder"
TABLE, BURN, IDLE_CORRECTION = "the table", "burn or fuel", "an idle correction"
KNOCK, ANOTHER_TABLE, UNKNOWN, NO_SPARK, NO_TABLE = "knock retard", "another table", "not seen in the log", "spark was not logged", "no table was given"

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

NOT_IN_A_LOG = "a log cannot tell whether a level table would be quieter: compare camcalc surge with and without --flat"
WORDS = {
    TABLE: "the table hands the swing on: spark follows its slope",
    BURN: "spark is flat, so the swing comes from burn or fuel: table work will not help; check mixture, misfire and vacuum leaks first",
    IDLE_CORRECTION: "spark follows the speed error, as an idle correction does; the table does not explain it",
    KNOCK: "spark follows knock retard; the table does not explain it: find out whether it knocks, then less spark there",
    ANOTHER_TABLE: "spark follows speed and load, but not by this table: another table is in charge, or this is not the one in the car",
    UNKNOWN: "spark swings and neither table, speed error nor knock retard explains it: log the adders one by one",
    NO_SPARK: "spark was not logged: log FINAL spark to tell a table from a burn",
    NO_TABLE: "spark swings, but without the table it cannot be told from another cause",
}


class CellStep(NamedTuple):
    """Two neighbouring cells that the surge walks over: rows and columns from 0, their places in words, and their step in crank degrees."""

    one: tuple[int, int]
    other: tuple[int, int]
    places: tuple[str, str]
    step: float

    def __str__(self) -> str:
        return f"{self.places[0]} to {self.places[1]}: {self.step:+.3g} deg"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SurgeCause(Record):
    """Why one episode surges. Amplitudes are those of the sine with the same r.m.s."""

    cause: str
    words: str
    explained: float
    spark_amplitude: Measure = measure("crank_deg", doc="as logged")
    table_amplitude: Measure = measure("crank_deg", doc="of the table, looked up at logged speed and load")
    by_speed: Measure = measure("crank_deg", doc="of that, with load held")
    by_load: Measure = measure("crank_deg", doc="of that, with speed held")
    offset: Measure = measure("crank_deg", doc="logged spark above the table's, in the middle")
    steps: tuple[CellStep, ...] = ()
    torque_swing: Measure = measure("N*m", doc="peak to peak, from the spark's swing")
    notes: tuple[str, ...] = ()
    final_spark: str = FINAL_SPARK

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return super().to_dict() | {"steps": [{"cells": list(s.places), "step": {"value": s.step, "unit": "crank_deg"}} for s in self.steps]}

    def __str__(self) -> str:
        si = self.si
        lines = [f"cause: {self.words}"]
        if math.isfinite(self.explained):
            lines.append(f"  accounts for {100 * max(self.explained, 0.0):.0f} % of the spark's swing of {2 * si.spark_amplitude:.2f} deg peak to peak")
        if math.isfinite(si.table_amplitude):
            parts = f"{2 * si.by_speed:.2f} by speed, {2 * si.by_load:.2f} by load"
            lines.append(f"  table there swings {2 * si.table_amplitude:.2f} deg peak to peak ({parts}); logged spark stands {si.offset:+.2f} deg from it")
        lines += [f"  walks over {step}" for step in self.steps]
        if math.isfinite(si.torque_swing):
            lines.append(f"  torque swing of it: {si.torque_swing:.3g} N m peak to peak")
        return "\n".join([*lines, *(f"  note: {note}" for note in self.notes), f"  ({self.final_spark})"])


def explain_episode(
    log: DriveLog, episode: SurgeEpisode, table: SparkTable | None = None, *, torque_per_degree: Callable[[Any, Any], Any] | None = None
) -> SurgeCause:
    """Say why one episode surges.

    Parameters
    ----------
    log : DriveLog
    episode : SurgeEpisode
        One that was found in this log.
    table : SparkTable, optional
        The table that was in the car.
    torque_per_degree : callable, optional
        Torque per degree of spark [N m per crank deg] at a speed [rev/s] and load [inner unit of the table's load].

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
    if not math.isfinite(episode.si.spark_amplitude):
        return _cause(NO_SPARK, episode)
    if table is not None and log.load_kind and table.load_kind != log.load_kind:
        raise InputError(
            "load of the log", came=log.load_kind, expected=f"{table.load_kind}, as in the table", fix="log the load that the table is looked up by"
        )
    channels = ["speed", "spark"] + (["load"] if log.loads.size else []) + (["knock_retard"] if log.values("knock_retard").size else [])
    parts = [_Part(log, stretch, episode) for stretch in stretches(log, *channels, shortest=1.0, within=(episode.si.start, episode.si.end))]
    parts = [part for part in parts if part.inside.any()]
    found = _looked_up(parts, table) if table is not None and log.loads.size and parts else {}
    notes = _load_notes(episode, found)
    if found and torque_per_degree is not None:
        per_degree = float(torque_per_degree(episode.si.speed, episode.mean_load))
        found["torque_swing"] = 2.0 * per_degree * episode.si.spark_amplitude
    if episode.si.spark_amplitude < LEAST_SPARK:
        if found.get("table_amplitude", 0.0) > 2.0 * LEAST_SPARK:
            # A flat spark under a table that is not flat: something overrides the table.
            notes.append("this table would swing there and the logged spark does not: it is not what sets the spark")
        beside = amplitude_of(np.concatenate([np.empty(0), *(part.of("spark")[part.inside] for part in parts)]))
        if beside > LEAST_SPARK:
            notes.append(f"spark is flat at this frequency only: it moves by {2 * beside:.2g} deg peak to peak at others, which do not shake the car")
        return _cause(BURN, episode, found, [*(_offset_notes(found) if found else []), *notes])
    if found and found["explained"] >= EXPLAINS:
        return _cause(TABLE, episode, found, [*_offset_notes(found), *notes, NOT_IN_A_LOG])
    cause, share, more = _pattern(log, parts, episode, bool(found))
    if found:
        more.append(f"the table accounts for {100 * max(found['explained'], 0.0):.0f} %")
    elif log.loads.size == 0:
        more.append("load was not logged: the table cannot be looked up")
    return _cause(cause, episode, found | {"explained": share}, [*more, *notes])


def cell_weights(log: DriveLog, table: SparkTable, spans: list[tuple[float, float]] | tuple[tuple[float, float], ...]) -> Array:
    """Return how much each cell of a table takes part in the lookup during some spans of time [s]: seconds, summed over rows."""
    out = np.zeros(table.shape)
    good = np.isfinite(log.si.speed) & np.isfinite(log.loads) if log.loads.size else np.zeros(len(log.si.time), dtype=bool)
    inside = np.zeros(len(log.si.time), dtype=bool)
    for start, end in spans:
        inside[np.searchsorted(log.si.time, start) : np.searchsorted(log.si.time, end, side="right")] = True
    speed, load = log.si.speed[good & inside], log.loads[inside & good] if log.loads.size else np.empty(0)
    rows, along = shares_of(table.si.speed, speed), shares_of(table.loads, load)
    for i, s in rows:
        for j, t in along:
            np.add.at(out, (i, j), s * t)
    return out / log.si.sampling_rate


def shares_of(axis: Array, values: Array) -> list[tuple[NDArray[np.int64], Array]]:
    """Return the two breakpoints of an axis that each value is looked up between, with their shares."""
    below = np.clip(np.searchsorted(axis, values, side="right") - 1, 0, len(axis) - 2)
    share = np.clip((values - axis[below]) / (axis[below + 1] - axis[below]), 0.0, 1.0)
    return [(below, 1.0 - share), (below + 1, share)]


class _Part:
    """One stretch of the log around an episode: swings of its channels, and which samples lie in the episode."""

    def __init__(self, log: DriveLog, stretch: Stretch, episode: SurgeEpisode) -> None:
        self.stretch, self.high = stretch, highest_frequency(log)
        self.inside = (stretch.time >= episode.si.start) & (stretch.time <= episode.si.end)

    def swing(self, values: Array) -> Array:
        """What swings in values on the stretch's grid, all of it."""
        return band_pass(values, self.stretch.step, LOWEST, self.high)

    def of(self, channel: str) -> Array:
        """What swings in a channel."""
        return self.swing(self.stretch.values[channel])


def _looked_up(parts: list[_Part], table: SparkTable) -> dict[str, Any]:
    """Return what the table says about the episode."""
    spark, tables, by_speed, by_load, offset, weights = [], [], [], [], [], np.zeros(table.shape)
    lags = range(-max(1, round(LAG / parts[0].stretch.step)), max(1, round(LAG / parts[0].stretch.step)) + 1)
    for part in parts:
        speed, load, inside = part.stretch.values["speed"], part.stretch.values["load"], part.inside
        found = table.spark_at(speed, load)
        spark.append(part.of("spark")[inside])
        swing = part.swing(found)
        tables.append([np.roll(swing, lag)[inside] for lag in lags])
        by_speed.append(part.swing(table.spark_at(speed, load - part.of("load")))[inside])
        by_load.append(part.swing(table.spark_at(speed - part.of("speed"), load))[inside])
        offset.append((part.stretch.values["spark"] - found)[inside])
        for i, s in shares_of(table.si.speed, speed[inside]):
            for j, t in shares_of(table.loads, load[inside]):
                np.add.at(weights, (i, j), s * t)
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


def _pattern(log: DriveLog, parts: list[_Part], episode: SurgeEpisode, has_table: bool) -> tuple[str, float, list[str]]:
    """Return what else moves the spark, and the share it accounts for."""
    spark = np.concatenate([part.of("spark")[part.inside] for part in parts]) if parts else np.empty(0)
    if not spark.size:
        return (UNKNOWN if has_table else NO_TABLE), math.nan, ["spark, speed and load are never all there during the episode"]
    if "knock_retard" in parts[0].stretch.values:
        knock = np.concatenate([part.of("knock_retard")[part.inside] for part in parts])
        slope, share = _fit(spark, knock)
        if share >= EXPLAINS and 0.5 < abs(slope) < 1.5:
            return KNOCK, share, []
    slope, share = _speed_error(parts, spark)
    if share >= EXPLAINS and slope < 0.0 and _idling(log, episode):
        return IDLE_CORRECTION, share, [f"{-slope / 60.0:.2g} deg more for each rpm that the speed falls"]
    by_both = _by_speed_and_load(parts, spark)
    if by_both >= EXPLAINS:
        return (ANOTHER_TABLE if has_table else NO_TABLE), by_both, []
    return (UNKNOWN if has_table else NO_TABLE), max(share, by_both), []


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


def _idling(log: DriveLog, episode: SurgeEpisode) -> bool:
    rows = (log.si.time >= episode.si.start) & (log.si.time <= episode.si.end)
    return bool(closed_pedal(log)[rows].mean() > 0.5) if log.values("pedal").size else bool(episode.si.speed < IDLE_BELOW)


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


def _load_notes(episode: SurgeEpisode, found: dict[str, Any]) -> list[str]:
    notes = []
    if episode.mean_load > 0.0 and episode.load_amplitude > SUSPECT_LOAD * episode.mean_load:
        bounds = LOADS[episode.load_kind].bounds
        size = 2.0 * episode.load_amplitude / factor(bounds.show, bounds.unit)
        notes.append(f"logged load swings {size:.2g} {bounds.show} peak to peak: under blow-back the reading is suspect, the charge itself may swing less")
    if found and found["by_load"] > found["by_speed"] and found["by_load"] > LEAST_SPARK:
        notes.append("most of the table's swing comes by way of load: a steadier load reading cures as much as a flatter table")
    return notes


def _offset_notes(found: dict[str, Any]) -> list[str]:
    if abs(found["offset"]) <= OFFSET:
        return []
    return [f"logged spark stands {found['offset']:+.2g} deg from the table throughout: an adder, to be counted against any ceiling"]


def _cause(cause: str, episode: SurgeEpisode, found: dict[str, Any] | None = None, notes: list[str] | None = None) -> SurgeCause:
    fields: dict[str, Any] = dict.fromkeys(("table_amplitude", "by_speed", "by_load", "offset", "torque_swing"))
    fields |= {"explained": math.nan} | (found or {})
    if cause == BURN:
        fields["explained"] = math.nan
    if cause != TABLE:
        fields["steps"] = ()
    return SurgeCause(cause=cause, words=WORDS[cause], spark_amplitude=episode.si.spark_amplitude, notes=tuple(notes or ()), **fields)
