"""Shortening the way to a settled cycle: where a plain cycle is heading, from how the gap of cycles before changed with their start.

The gap of a cycle is what it ends with less what it started with, each unknown relative to its scale. Two cycles give a secant:
how end and gap change together. The least-squares combination of secants that closes the gap moves the end to where it is heading
(Anderson mixing, Walker & Ni 2011). Secants hold nearby as well: a cycle may start with those of a neighbour.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from .layout import Unknown

__all__ = ["NO_SECANTS", "Book", "Mixing", "Secants", "next_start", "scale_at", "scaled"]

Array = NDArray[np.float64]

# Shares, and the flow in the runner [kg/s], have a scale of their own; the others scale with themselves.
IS_SHARE = np.array([one.name.endswith("FRACTION") or one is Unknown.RUNNER_FLOW for one in Unknown])
SHARE_SCALE = np.array([0.05 if one is Unknown.RUNNER_FLOW else 1.0 for one in Unknown])
TINY = 1e-12
# Own secants kept, the latest. Directions in which gaps hardly differ, by less than this share, say nothing; ESTIMATE.
KEPT, WEAKEST = 16, 1e-2
# A gap grown so many times over the least so far: what was known misleads, and is forgotten.
MISLED = 4.0


class Book(NamedTuple):
    """What a march writes into: secants known and, after them, its own, one column each, scaled; how many of each; end and gap of the cycle before, and
    whether there is one; the least gap so far; how short a secant is noise."""

    ends: Array
    gaps: Array
    counts: NDArray[np.int64]
    before: Array
    best: Array
    least: float


class Secants(NamedTuple):
    """Changes of a cycle's end and of its gap that belong together, one column each, scaled."""

    ends: Array
    gaps: Array

    def book(self, *, least: float) -> Book:
        """Return a book to march with that begins with these; secants shorter than ``least`` are noise and not taken up."""
        size, known = self.ends.shape
        room = np.zeros((2, size, known + KEPT))
        room[0, :, :known], room[1, :, :known] = self.ends, self.gaps
        return Book(room[0], room[1], np.array([known, 0, 0]), np.zeros((2, size)), np.array([np.inf]), least)


NO_SECANTS = Secants(np.zeros((len(Unknown), 0)), np.zeros((len(Unknown), 0)))


@compiled
def scale_at(at: Array) -> Array:
    """Return the scale of each unknown at a state, in its units."""
    scale = np.empty(at.size)
    for k in range(at.size):
        scale[k] = SHARE_SCALE[k] if IS_SHARE[k] else abs(at[k]) + TINY
    return scale


def scaled(change: Array, at: Array) -> Array:
    """Return a change of the unknowns relative to their scale at a state."""
    return np.asarray(change / scale_at(at))


@compiled(nogil=True)
def next_start(book: Book, start: Array, end: Array) -> Array:
    """Return where to start the next cycle, from the start and the end of the last one.

    Parameters
    ----------
    book : Book
        What is known; written to.
    start, end : array, shape (unknowns,)
        In the order and units of ``layout.Unknown``.
    """
    scale, counts, before = scale_at(end), book.counts, book.before
    gap, size = np.empty(end.size), 0.0
    for k in range(end.size):
        gap[k] = (end[k] - start[k]) / scale[k]
        size = max(size, abs(gap[k]))
    if counts[2] > 0:
        _take_up(book, end, gap, scale)
    counts[2] = 1
    for k in range(end.size):
        before[0, k], before[1, k] = end[k], gap[k]
    if size > MISLED * book.best[0]:
        counts[0] = counts[1] = 0
    book.best[0] = min(book.best[0], size)
    count = counts[0] + counts[1]
    if count == 0:
        return end.copy()
    directions = np.empty((gap.size, count))
    lengths = np.empty(count)
    for j in range(count):
        squares = 0.0
        for k in range(gap.size):
            squares += book.gaps[k, j] ** 2
        lengths[j] = math.sqrt(squares)
        for k in range(gap.size):
            directions[k, j] = book.gaps[k, j] / lengths[j]
    weights = np.linalg.lstsq(directions, gap, WEAKEST)[0]
    aim = end.copy()
    for k in range(end.size):
        moved = 0.0
        for j in range(count):
            moved += book.ends[k, j] * weights[j] / lengths[j]
        # Kept within what can be, and within a factor of two of where the last cycle ended.
        low, high = (0.0, 1.0) if IS_SHARE[k] else (0.5 * abs(end[k]), 2.0 * abs(end[k]))
        if k == Unknown.RUNNER_FLOW:
            low, high = -1.0, 1.0
        aim[k] = min(max(end[k] - moved * scale[k], low), high)
    return aim


@compiled
def _take_up(book: Book, end: Array, gap: Array, scale: Array) -> None:
    """Write a secant of one's own, from the cycle before to this one; of these the latest are kept."""
    squares = 0.0
    for k in range(gap.size):
        squares += (gap[k] - book.before[1, k]) ** 2
    if math.sqrt(squares) <= book.least:
        return
    known, own = book.counts[0], book.counts[1]
    if own == KEPT:
        for k in range(gap.size):
            for j in range(known, known + KEPT - 1):
                book.ends[k, j] = book.ends[k, j + 1]
                book.gaps[k, j] = book.gaps[k, j + 1]
        own -= 1
    for k in range(gap.size):
        book.ends[k, known + own] = (end[k] - book.before[0, k]) / scale[k]
        book.gaps[k, known + own] = gap[k] - book.before[1, k]
    book.counts[1] = own + 1


class Mixing:
    """Mixing of cycles, begun with known secants; those shorter than ``least`` are noise and not taken up."""

    def __init__(self, known: Secants, *, least: float) -> None:
        self.book = known.book(least=least)

    @property
    def secants(self) -> Secants:
        """All that is known now."""
        count = int(self.book.counts[0] + self.book.counts[1])
        return Secants(self.book.ends[:, :count].copy(), self.book.gaps[:, :count].copy())

    def next(self, start: Array, end: Array) -> Array:
        """Return where to start the next cycle, from the start and the end of the last one."""
        return np.asarray(next_start(self.book, start, end))
