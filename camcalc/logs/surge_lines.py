"""The driveline's own frequency over a log's time, and what of a swing lies there."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .signals import CONTEXT, Stretch, band_pass
from .surge_finder import AROUND, SurgeEpisode

__all__ = ["Lines", "SurgeLines", "narrow_part", "nearest"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


class Lines(NamedTuple):
    """Spans of surge whose frequency is told, in order of time: starts [s], ends [s], frequencies [Hz]."""

    start: Array
    end: Array
    frequency: Array


class SurgeLines:
    """The surge whose frequency is told, in order of time and by gear."""

    def __init__(self, episodes: Sequence[SurgeEpisode]) -> None:
        told = sorted((e for e in episodes if math.isfinite(e.si.frequency)), key=lambda e: float(e.si.start))
        self.all = Lines(*(np.array([getattr(e.si, name) for e in told], dtype=float) for name in Lines._fields))
        gears = np.array([e.gear for e in told], dtype=float)
        self._of_gear = {float(gear): self._where(gears == gear) for gear in np.unique(gears[np.isfinite(gears)])}
        self._without = self._where(np.isnan(gears))

    def _where(self, these: Mask) -> Lines:
        return Lines(*(values[these] for values in self.all))

    def of(self, start: float, end: float, gear: float) -> Lines:
        """Return the surge within a time, or that found elsewhere in this gear, since a driveline keeps its frequency."""
        within = slice(int(np.searchsorted(self.all.end, start, side="right")), int(np.searchsorted(self.all.start, end)))
        if within.start < within.stop:
            return Lines(*(values[within] for values in self.all))
        return self._without if math.isnan(gear) else self._of_gear.get(gear, Lines(np.empty(0), np.empty(0), np.empty(0)))


def nearest(lines: Lines, time: Array) -> Array:
    """Return at each time the frequency of the nearest surge, the earlier of two as near; zero where there is none."""
    if not lines.start.size:
        return np.zeros(len(time))
    begun = np.searchsorted(lines.start, time, side="right")
    before, after = np.maximum(begun - 1, 0), np.minimum(begun, lines.start.size - 1)
    away, further = (np.maximum(np.maximum(lines.start[k] - time, time - lines.end[k]), 0.0) for k in (before, after))
    return np.asarray(lines.frequency[np.where(further < away, after, before)])


def narrow_part(part: Stretch, swing: Array, lines: Lines) -> Array:
    """Return what of swings (a row for each channel) lies at the driveline's frequency: run by run, each filtered with what is around it."""
    at, out = nearest(lines, part.time), np.zeros(swing.shape)
    edges = np.flatnonzero(np.concatenate([[True], np.diff(at) != 0.0, [True]]))
    around = math.ceil(CONTEXT / part.step)
    for first, last in itertools.pairwise(edges.tolist()):
        frequency, begin = float(at[first]), max(first - around, 0)
        if frequency > 0.0:
            narrow = band_pass(swing[..., begin : last + around], part.step, (1.0 - AROUND) * frequency, (1.0 + AROUND) * frequency)
            out[..., first:last] = narrow[..., first - begin : last - begin]
    return out
