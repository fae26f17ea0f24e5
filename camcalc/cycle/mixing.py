"""Shortening the way to a settled cycle: where a plain cycle is heading, from how the gap of cycles before changed with their start.

The gap of a cycle is what it ends with less what it started with, each unknown relative to its scale. Two cycles give a secant:
how end and gap change together. The least-squares combination of secants that closes the gap moves the end to where it is heading
(Anderson mixing, Walker & Ni 2011). Secants hold nearby as well: a cycle may start with those of a neighbour.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .layout import Unknown

__all__ = ["NO_SECANTS", "Mixing", "Secants", "scaled"]

Array = NDArray[np.float64]

# Shares, and the flow in the runner [kg/s], have a scale of their own; the others scale with themselves.
IS_SHARE = np.array([one.name.endswith("FRACTION") or one is Unknown.RUNNER_FLOW for one in Unknown])
SHARE_SCALE = np.array([0.05 if one is Unknown.RUNNER_FLOW else 1.0 for one in Unknown])
TINY = 1e-12
# Own secants kept, the latest. Directions in which gaps hardly differ, by less than this share, say nothing; ESTIMATE.
KEPT, WEAKEST = 16, 1e-2
# A gap grown so many times over the least so far: what was known misleads, and is forgotten.
MISLED = 4.0


class Secants(NamedTuple):
    """Changes of a cycle's end and of its gap that belong together, one column each, scaled."""

    ends: Array
    gaps: Array

    def and_also(self, other: Secants) -> Secants:
        """Return both, these first."""
        return Secants(np.hstack([self.ends, other.ends]), np.hstack([self.gaps, other.gaps]))


NO_SECANTS = Secants(np.zeros((len(Unknown), 0)), np.zeros((len(Unknown), 0)))


def scale_of(at: Array) -> Array:
    """Return the scale of each unknown at a state."""
    return np.where(IS_SHARE, SHARE_SCALE, np.abs(at) + TINY)


def scaled(change: Array, at: Array) -> Array:
    """Return a change of the unknowns relative to their scale at a state."""
    return np.asarray(change / scale_of(at))


class Mixing:
    """Mixing of cycles, begun with known secants; those shorter than ``least`` are noise and not taken up."""

    def __init__(self, known: Secants, *, least: float) -> None:
        self.known, self.own, self.least = known, NO_SECANTS, least
        self.before: tuple[Array, Array] | None = None
        self.best = np.inf

    @property
    def secants(self) -> Secants:
        """All that is known now."""
        return self.known.and_also(self.own)

    def next(self, start: Array, end: Array) -> Array:
        """Return where to start the next cycle, from the start and the end of the last one."""
        gap = scaled(end - start, end)
        if self.before is not None:
            self._take_up(scaled(end - self.before[0], end), gap - self.before[1])
        self.before = end, gap
        size = float(np.max(np.abs(gap)))
        if size > MISLED * self.best:
            self.known, self.own = NO_SECANTS, NO_SECANTS
        self.best = min(self.best, size)
        every = self.secants
        if not every.gaps.size:
            return end
        lengths = np.linalg.norm(every.gaps, axis=0)
        weights = np.linalg.lstsq(every.gaps / lengths, gap, rcond=WEAKEST)[0] / lengths
        return _bounded(end - every.ends @ weights * scale_of(end), end)

    def _take_up(self, ends: Array, gaps: Array) -> None:
        if np.linalg.norm(gaps) > self.least:
            own = self.own.and_also(Secants(ends[:, None], gaps[:, None]))
            self.own = Secants(own.ends[:, -KEPT:], own.gaps[:, -KEPT:])


def _bounded(aim: Array, end: Array) -> Array:
    """Return unknowns kept within what can be, and within a factor of two of where the last cycle ended."""
    low = np.where(IS_SHARE, 0.0, 0.5 * np.abs(end))
    high = np.where(IS_SHARE, 1.0, 2.0 * np.abs(end))
    low[Unknown.RUNNER_FLOW], high[Unknown.RUNNER_FLOW] = -1.0, 1.0
    return np.clip(aim, low, high)
