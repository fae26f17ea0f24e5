"""Before against after: the same cruise of two logs, matched by speed, load and gear."""

from __future__ import annotations

import dataclasses
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
from .surge_finder import BELOW, LEAST_SWING, SurgeFindings, find_surge

__all__ = ["ComparisonNote", "ComparisonVerdict", "LogComparison", "compare_logs"]

Array = NDArray[np.float64]
Cell = tuple[int, int, int]

# Windows [s] that are compared: longer than a driveline's memory of a disturbance, which is some 1/(damping ratio x 2 pi f). ESTIMATE.
WINDOW = 3.0
# Cells of the cruise: 200 rpm [rev/s] by the load kind's usual step, by gear. ESTIMATE.
SPEED_CELL = 200.0 / 60.0
# Fewer matched windows on either side say nothing; ESTIMATE.
LEAST_WINDOWS = 4
# A verdict needs this share of the resamples, so that of drives that do not differ one in twenty is called better or worse; common practice.
SURE = 0.975
# And this change of the energy at least; ESTIMATE.
MATTERS = 0.1
RESAMPLES, SEED = 2000, 20240


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
    """A few seconds of steady driving: spread of spark [crank deg], energy of the speed's swing [(rev/s)^2], share of it surging."""

    spread: float
    energy: float
    surging: float


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
    0.5 Hz and what the slower sampling of the two allows. Confidence is the share of 2000 resamples in which the energy changes in the same
    direction; cells are drawn with replacement, and within each cell the windows of each log, since a cell with one window has no scatter of
    its own to draw from. What so few windows leave open widens them, as in Student's test. Seeded, so that a comparison can be repeated.
    """
    if before.load_kind != after.load_kind:
        raise InputError("load of the logs", came=f"{before.load_kind or 'none'} and {after.load_kind or 'none'}", expected="the same kind of load in both")
    high = min(highest_frequency(before), highest_frequency(after))
    has_gear = bool(before.gear.size and after.gear.size)
    one, two = (_windows(log, find_surge(log, below=below, least_swing=least_swing), high, has_gear) for log in (before, after))
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
    ratio = _ratio(second[1], first[1])
    ratios = _widened(_resampled(one, two, matched, weight), ratio, min(counts))
    lower = float(np.mean(ratios < 1.0) + 0.5 * np.mean(ratios == 1.0))
    confidence = lower if ratio < 1.0 else 1.0 - lower
    return LogComparison(
        verdict=_verdict(ratio, confidence),
        confidence=confidence,
        spread_before=first[0],
        spread_after=second[0],
        swing_before=math.sqrt(first[1]),
        swing_after=math.sqrt(second[1]),
        energy_ratio=ratio,
        energy_low=float(np.quantile(ratios, 0.05, method="inverted_cdf")),
        energy_high=float(np.quantile(ratios, 0.95, method="inverted_cdf")),
        surging_before=first[2],
        surging_after=second[2],
        notes=tuple(notes),
        **about,
    )


def _windows(log: DriveLog, found: SurgeFindings, high: float, has_gear: bool) -> dict[Cell, list[_Window]]:
    """Return the windows of a log by cell."""
    out: dict[Cell, list[_Window]] = defaultdict(list)
    load_cell = LOADS[log.load_kind].step if log.load_kind else math.inf
    for stretch in stretches(log, "speed"):
        swing = band_pass(stretch.values["speed"], stretch.step, LOWEST, high)
        for start in _starts(found, stretch.time[0], stretch.time[-1]):
            rows = slice(*np.searchsorted(log.si.time, [start, start + WINDOW]))
            inside = slice(*np.searchsorted(stretch.time, [start, start + WINDOW]))
            load = float(np.mean(log.loads[rows])) if log.load_kind else 0.0
            gear = log.gear[rows] if has_gear else np.zeros(1)
            if not math.isfinite(load) or not np.isfinite(gear).all() or gear.min() != gear.max():
                continue
            cell = (int(np.mean(log.si.speed[rows]) // SPEED_CELL), int(load // load_cell) if log.load_kind else 0, int(gear[0]))
            surging = sum(max(0.0, min(e.si.end, start + WINDOW) - max(e.si.start, start)) for e in found.episodes) / WINDOW
            spread = float(np.nanstd(log.si.spark[rows])) if log.values("spark").size and np.isfinite(log.si.spark[rows]).any() else math.nan
            out[cell].append(_Window(spread, float(np.mean(swing[inside] ** 2)), surging))
    return dict(out)


def _starts(found: SurgeFindings, first: float, last: float) -> list[float]:
    """Return where whole windows begin within the steady driving of a stretch."""
    out: list[float] = []
    for start, end in found.windows:
        if start >= first - 1e-9 and end <= last + 1e-9:
            out += [start + k * WINDOW for k in range(int((end - start) / WINDOW + 1e-9))]
    return out


def _resampled(one: dict[Cell, list[_Window]], two: dict[Cell, list[_Window]], matched: list[Cell], weight: Array) -> Array:
    """Return the ratio of energies in resamples of the windows."""
    rng = np.random.default_rng(SEED)
    drawn = rng.multinomial(len(matched), np.full(len(matched), 1.0 / len(matched)), RESAMPLES)
    sums = np.zeros((2, RESAMPLES))
    for k, cell in enumerate(matched):
        for side, log in enumerate((one, two)):
            energy = np.array([window.energy for window in log[cell]])
            sums[side] += drawn[:, k] * weight[k] * energy[rng.integers(0, len(energy), (RESAMPLES, len(energy)))].mean(axis=1)
    return np.array([_ratio(b, a) for a, b in zip(*sums, strict=True)])


def _widened(ratios: Array, ratio: float, count: int) -> Array:
    """Return resampled ratios spread, on a log scale, as far as so few windows leave it open: resamples scatter as if the scatter were known.

    A resample's variance is (n - 1)/n of the true one, and Student's quantile takes the place of the normal one; textbook.
    """
    if not 0.0 < ratio < math.inf:
        return ratios
    wider = math.sqrt(count / (count - 1)) * float(stats.t.ppf(SURE, count - 1) / stats.norm.ppf(SURE))
    with np.errstate(divide="ignore"):
        return np.asarray(ratio * np.exp(wider * np.log(ratios / ratio)))


def _ratio(after: float, before: float) -> float:
    return float(after / before) if before > 0.0 else (1.0 if after == 0.0 else math.inf)


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
