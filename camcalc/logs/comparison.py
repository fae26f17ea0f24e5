"""Before against after: the same cruise of two logs, matched by speed, load and gear."""

from __future__ import annotations

import dataclasses
import html
import math
from collections import defaultdict
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from ..errors import InputError
from ..results import Measure, Record, measure
from ..tables.axes import LOADS
from .drive_log import DriveLog, folded
from .signals import LOWEST, band_pass, highest_frequency, stretches
from .surge_finder import BELOW, LEAST_SWING, SurgeFindings, find_surge

__all__ = ["LogComparison", "compare_logs"]

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


class _Window(NamedTuple):
    """A few seconds of steady driving: spread of spark [crank deg], energy of the speed's swing [(rev/s)^2], share of it surging."""

    spread: float
    energy: float
    surging: float


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class LogComparison(Record):
    """Two logs over the cells that both visited; means weighted by the windows that both have in each cell."""

    verdict: str
    confidence: float
    spread_before: Measure = measure("crank_deg", doc="standard deviation of FINAL spark within a window")
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
    how: str = ""
    final_spark: str = "FINAL spark: table plus every adder"
    notes: tuple[str, ...] = ()

    def __str__(self) -> str:
        si = self.si
        rows = [
            ("spread of spark, deg", si.spread_before, si.spread_after),
            ("swing of speed, rpm r.m.s.", 60 * si.swing_before, 60 * si.swing_after),
            ("time in surge, %", 100 * si.surging_before, 100 * si.surging_after),
        ]
        lines = [self.verdict, f"  {'':28}  before   after"]
        lines += [f"  {name:28} {_text(a):>7} {_text(b):>7}" for name, a, b in rows]
        if math.isfinite(self.energy_ratio):
            lines.append(f"  energy of the swing {self.energy_ratio:.3g} times before, 90 % between {self.energy_low:.3g} and {self.energy_high:.3g}")
        lines.append(f"  {self.matched_cells} cells visited in both (before {self.cells_before}, after {self.cells_after})")
        how = [f"  {self.how}"] if self.how else []
        return folded([*lines, *how, f"  ({self.final_spark})", *(f"  note: {note}" for note in self.notes)])

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(str(self))}</pre>"


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
        came = f"only {counts[0]} and {counts[1]} windows of steady driving share a cell"
        return _nothing(f"cannot be told: {came}; drive the same cruise again", about, notes)
    weight = np.array([min(len(one[cell]), len(two[cell])) for cell in matched], dtype=float)
    weight /= weight.sum()
    first, second = (sum(w * np.array(log[c]).mean(axis=0) for w, c in zip(weight, matched, strict=True)) for log in (one, two))
    ratio = _ratio(second[1], first[1])
    ratios = _widened(_resampled(one, two, matched, weight), ratio, min(counts))
    lower = float(np.mean(ratios < 1.0) + 0.5 * np.mean(ratios == 1.0))
    confidence = lower if ratio < 1.0 else 1.0 - lower
    agree = f"share of {RESAMPLES} resamples of {counts[0]} and {counts[1]} windows of {WINDOW:g} s that agree in direction"
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
        how=f"confidence {100 * confidence:.0f} %: {agree}",
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


def _verdict(ratio: float, confidence: float) -> str:
    if confidence >= SURE and abs(ratio - 1.0) > MATTERS:
        return f"{'better' if ratio < 1.0 else 'worse'}: the swing has {'shrunk' if ratio < 1.0 else 'grown'} to {100 * math.sqrt(ratio):.0f} % of what it was"
    return "no difference that can be told from chance" if abs(ratio - 1.0) > MATTERS else "no difference that matters"


def _notes(log: DriveLog, has_gear: bool) -> list[str]:
    notes = [] if log.load_kind else ["load was not logged: matched by speed" + (" and gear" if has_gear else "") + " alone"]
    return notes + ([] if has_gear else ["gear was not logged in both: the same speed and load in another gear counts as the same cruise"])


def _nothing(verdict: str, about: dict[str, Any], notes: list[str]) -> LogComparison:
    names = ("spread_before", "spread_after", "swing_before", "swing_after", "surging_before", "surging_after")
    nothing: dict[str, Any] = dict.fromkeys(names)
    nan = math.nan
    return LogComparison(verdict=verdict, confidence=nan, energy_ratio=nan, energy_low=nan, energy_high=nan, notes=tuple(notes), **nothing, **about)


def _text(value: float) -> str:
    return f"{value:.3g}" if math.isfinite(value) else "none"
