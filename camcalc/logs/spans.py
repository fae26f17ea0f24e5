"""Spans of time over rows and over other spans, found by search: what is done for each costs what lies near it, not the whole log."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["Spans", "covered", "filled", "rows_between"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Places = NDArray[np.int64]


class Spans:
    """Spans of time [s] in order of their starts; they may overlap.

    >>> spans = Spans([(0.0, 9.0), (1.0, 2.0), (20.0, 21.0)])
    >>> spans.touching(5.0, 20.0).tolist(), spans.touching(10.0, 15.0).tolist()
    ([0, 2], [])
    """

    def __init__(self, spans: Sequence[tuple[float, float]]) -> None:
        pairs = np.array(spans, dtype=float).reshape(-1, 2)
        pairs = pairs[np.argsort(pairs[:, 0], kind="stable")]
        self.start: Array = pairs[:, 0]
        self.end: Array = pairs[:, 1]
        self._latest: Array = np.maximum.accumulate(self.end)

    def touching(self, start: float, end: float) -> Places:
        """Return the places of the spans that begin at ``end`` at the latest and end at ``start`` at the earliest."""
        first, last = int(self._latest.searchsorted(start)), int(self.start.searchsorted(end, side="right"))
        return (self.end[first:last] >= start).nonzero()[0] + first


def rows_between(time: Array, start: float, end: float) -> slice:
    """Return the rows from a time to another, both with it; times rise.

    >>> rows_between(np.arange(5.0), 1.0, 3.0)
    slice(1, 4, None)
    """
    return slice(int(time.searchsorted(start)), int(time.searchsorted(end, side="right")))


def filled(count: int, first: Places, last: Places) -> Mask:
    """Return the places from each ``first`` to before its ``last``, out of so many.

    >>> filled(5, np.array([1, 2]), np.array([3, 3])).tolist()
    [False, True, True, False, False]
    """
    begun = np.bincount(first, minlength=count + 1)[: count + 1] - np.bincount(last, minlength=count + 1)[: count + 1]
    return np.asarray(np.cumsum(begun)[:count] > 0)


def covered(time: Array, start: Array, end: Array) -> Mask:
    """Return the rows within any of some spans, their ends with them; times rise.

    >>> covered(np.arange(5.0), np.array([0.5, 3.0]), np.array([2.0, 3.0])).tolist()
    [False, True, True, True, False]
    """
    return filled(len(time), np.searchsorted(time, start), np.searchsorted(time, end, side="right"))
