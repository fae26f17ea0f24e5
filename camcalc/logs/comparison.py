"""Before against after: the same cruise of two logs, matched by speed, load and gear."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections import defaultdict
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from ..codes import AppliesTo, Code
from ..errors import InputError
from ..results import Measure, Record, measure
from ..tables.axes import LOADS
from .drive_log import DriveLog
from .signals import LOWEST, band_pass, highest_frequency, stretches
from .spans import Spans
from .surge_finder import BELOW, LEAST_SWING, SurgeFindings, find_surge, spans_of
from .swing_memory import noise_energy, swing_memory

__all__ = ["ComparisonNote", "ComparisonVerdict", "LogComparison", "compare_logs"]

Array = NDArray[np.float64]
Cell = tuple[int, int, int]

# Windows [s] that are compared; ESTIMATE.
WINDOW = 3.0
# Windows side by side in a cell are one block until it is so many times as long as the swing's memory; what is left of it between blocks is allowed
# for. At least so many blocks are kept of each log, however long its memory. ESTIMATE.
MEMORIES, LEAST_BLOCKS = 3.0, 3
# Cells of the cruise: 200 rpm [rev/s] by the load kind's usual step, by gear. ESTIMATE.
SPEED_CELL = 200.0 / 60.0
# Fewer matched windows on either side say nothing; ESTIMATE.
LEAST_WINDOWS = 4
# A verdict needs this confidence, so that of drives that do not differ one in twenty is called better or worse; common practice.
SURE = 0.975
# And this change of the energy at least; ESTIMATE.
MATTERS = 0.1
# Ends of the band that holds the true ratio with 90 %.
BAND = 0.95


class ComparisonVerdict(Code):
    """What came of the change between two logs."""

    BETTER = "better: the swing has shrunk"
    WORSE = "worse: the swing has grown"
    CHANCE = "no difference beyond chance"
    NO_DIFFERENCE = "no difference that matters"
    TOO_LITTLE = "not known: too little steady driving is alike"


class ComparisonNote(Code):
    """By what the two logs could not be matched."""

    WITHOUT_LOAD = "load was not logged: matched without it"
    WITHOUT_GEAR = "gear was not logged in both: the same speed and load in another gear counts as the same cruise"


class _Window(NamedTuple):
    """A few seconds of steady driving: its start [s], spread of spark [crank deg], energy of the speed's swing [(rev/s)^2], share of it surging."""

    start: float
    spread: float
    energy: float
    surging: float


class _Side(NamedTuple):
    """One log's windows by cell, the energy of its sensor's noise in them [(rev/s)^2], and the memory of its swing [s]."""

    cells: dict[Cell, list[_Window]]
    noise: float
    memory: float


class _Block(NamedTuple):
    """Windows side by side in one cell: the cell's place, how many, their mean energy [(rev/s)^2]."""

    cell: int
    windows: int
    energy: float


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class LogComparison(Record):
    """Two logs over the cells that both visited; means weighted by the windows that both have in each cell."""

    verdict: ComparisonVerdict
    confidence: float
    spread_before: Measure = measure("crank_deg", doc="standard deviation of final spark within a window")
    spread_after: Measure = measure("crank_deg")
    swing_before: Measure = measure("crank_rps", "rpm", doc="r.m.s. of the speed's swing")
    swing_after: Measure = measure("crank_rps", "rpm")
    energy_ratio: float
    energy_low: float
    energy_high: float
    surging_before: Measure = measure("", "percent", doc="share of the windows' time")
    surging_after: Measure = measure("", "percent")
    matched_cells: int
    cells_before: int
    cells_after: int
    windows_before: int
    windows_after: int
    applies_to: AppliesTo = AppliesTo.FINAL_SPARK
    notes: tuple[ComparisonNote, ...] = ()

    @property
    def swing_ratio(self) -> float:
        """Swing of speed after over that before."""
        return math.sqrt(self.energy_ratio)


def compare_logs(before: DriveLog, after: DriveLog, *, below: Any = BELOW, least_swing: Any = LEAST_SWING) -> LogComparison:
    """Compare the same cruise in two logs.

    Parameters
    ----------
    before, after : DriveLog
    below, least_swing : quantity [crank speed]
        As for ``find_surge``.

    Raises
    ------
    InputError
        If the logs do not have the same kind of load.

    Notes
    -----
    Steady driving is cut into windows of 3 s. Each belongs to a cell of 200 rpm by 10 kPa (0.1 g, 10 percent) by gear, by its means. Only cells
    that both logs visited count, each with the lesser number of windows as its weight. Energy is the mean square of engine speed between
    0.5 Hz and what the slower sampling of the two allows, less the sensor's white noise, which is read above that band.

    Windows side by side are joined into blocks as long as three times the swing's memory, the integral of its squared autocorrelation. How far
    blocks scatter about what their cell has in both logs says how well the ratio is known; what neighbouring blocks still share widens that, as for
    a memory that fades exponentially. Confidence and band are Student's, on the logarithm of the ratio.

    References
    ----------
    Textbook: ratio of means by linearisation; variance of the mean of a correlated sequence.
    """
    if before.load_kind != after.load_kind:
        raise InputError("load of the logs", came=f"{before.load_kind or 'none'} and {after.load_kind or 'none'}", expected="the same kind of load in both")
    high = min(highest_frequency(before), highest_frequency(after))
    has_gear = bool(before.gear.size and after.gear.size)
    sides = tuple(_side(log, find_surge(log, below=below, least_swing=least_swing), high, has_gear) for log in (before, after))
    one, two = (side.cells for side in sides)
    matched = sorted(one.keys() & two.keys())
    counts = tuple(sum(len(log[cell]) for cell in matched) for log in (one, two))
    notes = _notes(before, has_gear)
    about: dict[str, Any] = {
        "matched_cells": len(matched), "cells_before": len(one), "cells_after": len(two), "windows_before": counts[0], "windows_after": counts[1],
    }  # fmt: skip
    if min(counts) < LEAST_WINDOWS:
        return _nothing(about, notes)
    weight = np.array([min(len(one[cell]), len(two[cell])) for cell in matched], dtype=float)
    weight /= weight.sum()
    first, second = (sum(w * np.array(log[c]).mean(axis=0) for w, c in zip(weight, matched, strict=True)) for log in (one, two))
    found = _ratio_of(sides, matched, weight)
    return LogComparison(
        verdict=_verdict(found.ratio, found.confidence),
        confidence=found.confidence,
        spread_before=first[1],
        spread_after=second[1],
        swing_before=math.sqrt(found.before),
        swing_after=math.sqrt(found.after),
        energy_ratio=found.ratio,
        energy_low=found.low,
        energy_high=found.high,
        surging_before=first[3],
        surging_after=second[3],
        notes=tuple(notes),
        **about,
    )


def _side(log: DriveLog, found: SurgeFindings, high: float, has_gear: bool) -> _Side:
    """Return the windows of a log by cell, with the noise and the memory of their swing."""
    out: dict[Cell, list[_Window]] = defaultdict(list)
    load_cell = LOADS[log.load_kind].step if log.load_kind else math.inf
    windows, surge = Spans(found.windows), spans_of(found.episodes)
    swings, raw, step = [], [], 1.0 / log.si.sampling_rate
    for stretch in stretches(log, "speed"):
        swing = band_pass(stretch.values["speed"], stretch.step, LOWEST, high)
        starts = _starts(windows, stretch.time[0], stretch.time[-1])
        for start in starts:
            rows = slice(*np.searchsorted(log.si.time, [start, start + WINDOW]))
            inside = slice(*np.searchsorted(stretch.time, [start, start + WINDOW]))
            load = float(np.mean(log.loads[rows])) if log.load_kind else 0.0
            gear = log.gear[rows] if has_gear else np.zeros(1)
            if not math.isfinite(load) or not np.isfinite(gear).all() or gear.min() != gear.max():
                continue
            cell = (int(np.mean(log.si.speed[rows]) // SPEED_CELL), int(load // load_cell) if log.load_kind else 0, int(gear[0]))
            near = surge.touching(start, start + WINDOW)
            surging = float(np.sum(np.minimum(surge.end[near], start + WINDOW) - np.maximum(surge.start[near], start))) / WINDOW
            spread = float(np.nanstd(log.si.spark[rows])) if log.values("spark").size and np.isfinite(log.si.spark[rows]).any() else math.nan
            out[cell].append(_Window(start, spread, float(np.mean(swing[inside] ** 2)), surging))
            raw.append(stretch.values["speed"][inside])
        # Windows that follow one another are one run for the autocorrelation.
        swings += [swing[slice(*np.searchsorted(stretch.time, run))] for run in _runs(starts)]
    noise = noise_energy(raw, step, high)
    return _Side(dict(out), noise, swing_memory(swings, step, noise))


def _runs(starts: list[float]) -> list[tuple[float, float]]:
    """Return the spans of windows that follow one another."""
    runs: list[tuple[float, float]] = []
    for start in starts:
        if runs and start - runs[-1][1] < 1e-6 * WINDOW:
            runs[-1] = (runs[-1][0], start + WINDOW)
        else:
            runs.append((start, start + WINDOW))
    return runs


def _starts(windows: Spans, first: float, last: float) -> list[float]:
    """Return where whole windows begin within the steady driving of a stretch."""
    out: list[float] = []
    near = windows.touching(first, last)
    for start, end in zip(windows.start[near].tolist(), windows.end[near].tolist(), strict=True):
        if start >= first - 1e-9 and end <= last + 1e-9:
            out += [start + k * WINDOW for k in range(int((end - start) / WINDOW + 1e-9))]
    return out


class _Found(NamedTuple):
    """Energies before and after [(rev/s)^2], their ratio with its 90 % band, and how sure its direction is."""

    before: float
    after: float
    ratio: float
    low: float
    high: float
    confidence: float


def _ratio_of(sides: tuple[_Side, ...], matched: list[Cell], weight: Array) -> _Found:
    """Return the ratio of the swings' energies with how well it is known."""
    blocks = [_blocks(side, matched) for side in sides]
    means, counts = (np.array([[_per_cell(of, k, what) for k in range(len(matched))] for of in blocks]) for what in (True, False))
    raw = means @ weight
    if not raw.all():
        return _of_nothing(float(raw[0]), float(raw[1]))
    own = np.maximum(means - np.array([[side.noise] for side in sides]), 0.0)
    ratio = max(float(own[1] @ weight), 1e-12 * raw[1]) / max(float(own[0] @ weight), 1e-12 * raw[0])
    # What a cell has in both logs: a block is held against that, since one alone has nothing of its own to scatter about.
    expected = (counts[0] * own[0] + counts[1] * own[1] / ratio) / counts.sum(axis=0)
    freedom = max(sum(map(len, blocks)) - len(matched) - 1, 1)
    correction, spread, energy = sum(map(len, blocks)) / freedom, [0.0, 0.0], [0.0, 0.0]
    for k, (side, of, by) in enumerate(zip(sides, blocks, (1.0, ratio), strict=True)):
        parts = np.array([weight[b.cell] * b.windows / counts[k, b.cell] * (b.energy - side.noise - by * expected[b.cell]) for b in of])
        length = WINDOW * float(np.mean([b.windows for b in of]))
        spread[k] = math.sqrt(float(parts @ parts) * correction * (1.0 + 2.0 * _shared(length / side.memory)))
        # A swing under its own uncertainty is known to be no more than that.
        energy[k] = max(float(raw[k]) - side.noise, spread[k], 1e-12 * float(raw[k]))
    ratio, doubt = energy[1] / energy[0], math.hypot(spread[0] / energy[0], spread[1] / energy[1])
    reach = float(stats.t.ppf(BAND, freedom)) * doubt
    sure = float(stats.t.cdf(abs(math.log(ratio)) / max(doubt, 1e-12), freedom))
    low, high = (ratio * math.exp(min(max(end, -700.0), 700.0)) for end in (-reach, reach))
    return _Found(energy[0], energy[1], ratio, low, high, sure)


def _of_nothing(before: float, after: float) -> _Found:
    """Return what is known where one of the logs, or both, does not swing at all."""
    ratio = 1.0 if before == after else (math.inf if before == 0.0 else 0.0)
    return _Found(before, after, ratio, ratio, ratio, 0.5 if before == after else 1.0)


def _blocks(side: _Side, matched: list[Cell]) -> list[_Block]:
    """Return the blocks of one log in the cells of both."""
    whole = sum(len(side.cells[cell]) for cell in matched)
    most = max(min(math.ceil(MEMORIES * side.memory / WINDOW), whole // LEAST_BLOCKS), 1)
    out = []
    for k, cell in enumerate(matched):
        windows = sorted(side.cells[cell])
        breaks = [n for n in range(1, len(windows)) if windows[n].start - windows[n - 1].start > WINDOW * (1.0 + 1e-6)]
        for first, last in itertools.pairwise([0, *breaks, len(windows)]):
            parts = np.array_split([window.energy for window in windows[first:last]], max((last - first) // most, 1))
            out += [_Block(k, len(part), float(np.mean(part))) for part in parts]
    return out


def _per_cell(blocks: list[_Block], cell: int, mean: bool) -> float:
    """Return the mean energy of one log in a cell, or its number of windows."""
    inside = [block for block in blocks if block.cell == cell]
    count = float(sum(block.windows for block in inside))
    return sum(block.windows * block.energy for block in inside) / count if mean else count


def _shared(memories: float) -> float:
    """Return how far neighbouring blocks, so many memories long, correlate: of a memory that fades exponentially; textbook."""
    fades = -math.expm1(-memories)
    return fades**2 / (2.0 * (memories - fades)) if memories > 1e-6 else 1.0


def _verdict(ratio: float, confidence: float) -> ComparisonVerdict:
    if abs(ratio - 1.0) <= MATTERS:
        return ComparisonVerdict.NO_DIFFERENCE
    if confidence < SURE:
        return ComparisonVerdict.CHANCE
    return ComparisonVerdict.BETTER if ratio < 1.0 else ComparisonVerdict.WORSE


def _notes(log: DriveLog, has_gear: bool) -> list[ComparisonNote]:
    notes = [] if log.load_kind else [ComparisonNote.WITHOUT_LOAD]
    return notes if has_gear else [*notes, ComparisonNote.WITHOUT_GEAR]


def _nothing(about: dict[str, Any], notes: list[ComparisonNote]) -> LogComparison:
    names = ("spread_before", "spread_after", "swing_before", "swing_after", "surging_before", "surging_after")
    nothing: dict[str, Any] = dict.fromkeys(names)
    nan = math.nan
    unknown: dict[str, Any] = {"verdict": ComparisonVerdict.TOO_LITTLE, "confidence": nan, "energy_ratio": nan, "energy_low": nan, "energy_high": nan}
    return LogComparison(notes=tuple(notes), **unknown, **nothing, **about)
